"""Writing settings: for each the forms in which it may be sent, tried until reading back shows it there.

An acknowledgement alone is never taken for success, and a refusal never for failure: what counts is what the mount
shows afterwards. A write is repeated only after reading back shows it absent.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from noonmark.driver.conventions import Convention
from noonmark.driver.mount import Readings, Talk
from noonmark.driver.site import Site
from noonmark.protocols import lx
from noonmark.protocols.dialect import Dialect
from noonmark.protocols.seams import Exchange, ReplyError
from noonmark.protocols.sexagesimal import wrap_signed

Precision = Literal["minute", "second"]
Told = Literal["there", "refused", "unchanged", "changed-otherwise", "unheard"]
ABOUT_MIDNIGHT_S = 60.0  # within this of midnight either date may be shown
HALF_MINUTE_DEG, HALF_SECOND_DEG = 0.5 / 60, 0.5 / 3600


@dataclass(frozen=True, slots=True)
class Target:
    """What is to be written: east longitude, local minus UTC that is to take effect, and the convention to use."""

    convention: Convention
    latitude_deg: float
    longitude_deg: float
    offset_h: float


@dataclass(slots=True)
class Manner:
    """What has been learned of how this mount shows and takes settings."""

    dialect: Dialect
    auto: bool
    unsigned_longitude: bool
    seconds_shown: bool
    degree_mark: Literal["*", "0xDF"]
    seconds_mark: Literal[":", "'"]
    offset_form: Literal["hours", "tenths", "minutes"]
    year_digits: int
    plus: bool
    turned: bool = False  # a longitude is taken with the other sign than it is shown with

    @property
    def marked(self) -> Dialect:
        """The dialect with the marks and signs that the mount was seen to use."""
        coordinates = self.dialect.coordinates.model_copy(
            update={"degree_mark": self.degree_mark, "seconds_mark": self.seconds_mark}
        )
        longitude = self.dialect.longitude.model_copy(update={"plus_sign": self.plus})
        return self.dialect.model_copy(update={"coordinates": coordinates, "longitude": longitude})

    def precisions(self) -> tuple[Precision, ...]:
        """Forms a coordinate may be written in, the finest first."""
        if not self.auto:
            return ("second", "minute") if self.dialect.coordinates.written == "second" else ("minute",)
        return ("second", "minute") if self.seconds_shown else ("minute",)

    @property
    def written_half_deg(self) -> float:
        """Half of the last unit in which coordinates are sure to be written."""
        if not self.auto and self.dialect.coordinates.written == "second":
            return HALF_SECOND_DEG
        return HALF_MINUTE_DEG


def manner_from(readings: Readings, dialect: Dialect, auto: bool) -> Manner:
    """The manner as the mount's own answers show it; an explicit dialect has the word where it speaks of it."""
    longitude, latitude = readings.longitude_wire, readings.latitude_wire
    form: Literal["hours", "tenths", "minutes"] = dialect.offset.format
    plus = dialect.longitude.plus_sign
    unsigned = dialect.longitude.range == "0..360"
    mark: Literal["*", "0xDF"] = dialect.coordinates.degree_mark
    seconds_mark: Literal[":", "'"] = dialect.coordinates.seconds_mark
    if auto:
        resolution = readings.offset.resolution_h
        form = "hours" if resolution > 0.5 else "tenths" if resolution > 0.05 else "minutes"
        plus = longitude.startswith(b"+")
        unsigned = not readings.longitude.signed
        mark = "0xDF" if b"\xdf" in longitude + latitude else "*"
        seconds_mark = "'" if b"'" in longitude[5:] + latitude[5:] else ":"
    return Manner(
        dialect, auto, unsigned, readings.longitude.resolution_deg < 0.5 / 60, mark, seconds_mark, form,
        readings.date.year_digits, plus,
        turned=not auto and dialect.longitude_written_positive != dialect.longitude.positive,
    )  # fmt: skip


def longitude_forms(target: Target, manner: Manner) -> list[str]:
    """Arguments for `:Sg`, most likely first."""
    marked = manner.marked
    styles: list[tuple[bool, bool]] = [(manner.unsigned_longitude, manner.plus)]
    if manner.auto:
        styles += [(False, manner.plus), (False, True), (True, False)]
    if manner.dialect.longitude.drops_sign:
        styles = [(True, False)]
    positive: Literal["west", "east"] = "east" if target.convention.east_positive != manner.turned else "west"
    forms = []
    for precision in manner.precisions():
        for unsigned, plus in styles:
            longitude = marked.longitude.model_copy(update={"plus_sign": plus})
            forms.append(
                lx.longitude_argument(
                    target.longitude_deg, marked.model_copy(update={"longitude": longitude}),
                    positive=positive, unsigned=unsigned, precision=precision,
                )
            )  # fmt: skip
    return list(dict.fromkeys(forms))


def latitude_forms(target: Target, manner: Manner) -> list[str]:
    """Arguments for `:St`, the finest first."""
    return [
        lx.latitude_argument(target.latitude_deg, manner.marked, precision=precision)
        for precision in manner.precisions()
    ]


def offset_forms(target: Target, manner: Manner) -> list[str]:
    """Arguments for `:SG` that hold the value exactly: the form shown first, then from the finest that it needs.

    Empty where no form holds it, or where the dialect's limit forbids it.
    """
    value = target.convention.shown_offset_h(target.offset_h)
    order: list[str] = [manner.offset_form]
    if manner.auto:
        order += ["minutes", "tenths", "hours"]
    elif abs(value) > manner.dialect.offset.limit_h:
        return []
    forms = [lx.offset_argument(value, form=form) for form in order if lx.offset_fits(value, form=form)]
    return list(dict.fromkeys(forms))


def date_forms(date: dt.date, convention: Convention, manner: Manner) -> list[str]:
    """Arguments for `:SC`: the order held likely first."""
    order = convention.date_order
    return [lx.date_argument(date, order=order, year_digits=manner.year_digits)]


@dataclass(slots=True)
class Writer:
    """Sends settings and looks at what became of them. `seen` is told every write before it is sent."""

    talk: Talk
    seen: Callable[[str, str], None]
    silent_flags: int = 0

    def setting(self, name: str, forms: list[str], there: Callable[[], bool]) -> Told:
        """Try each form until `there` says that the mount shows it. Refusals cost one exchange each."""
        told: Told = "refused"
        for form in forms:
            accepted = self.send(name, form)
            if accepted is False:
                continue
            if surely_there(accepted, there):
                if accepted is None:
                    self._flags_are_silent()
                return "there"
            if accepted is None and there_after_repeat(self, name, form, there):
                return "there"
            told = "unchanged" if accepted else "unheard"
        return told

    def send(self, name: str, argument: str) -> bool | None:
        """One write, told before it is sent."""
        self.seen(name, argument)
        accepted, _ = self.talk.write(name, argument)
        if name == "date" and accepted is not False:
            self.talk.settle_after_date()
        return accepted

    def _flags_are_silent(self) -> None:
        self.silent_flags += 1
        if self.silent_flags >= 2 and self.talk.acknowledgement == "unknown":
            self.talk.acknowledgement = "silent"


def write_longitude(
    writer: Writer, manner: Manner, forms: Callable[[], list[str]], wanted: Callable[[lx.Angle], bool]
) -> Told:
    """Set the longitude. One that is found out may take it with the other sign than it shows: then the mirror image of
    what was written is shown, and it is written the other way. `wanted`: does an answer show what is to be there?"""

    def shown() -> lx.Angle:
        angle, _, _ = writer.talk.ask("get-longitude", lx.parse_longitude)
        if angle.signed and (manner.auto or angle.value_deg < 0):  # a plus alone does not say that a minus is taken
            manner.unsigned_longitude = False
        return angle

    told = writer.setting("longitude", forms(), lambda: wanted(shown()))
    if told in ("unchanged", "unheard") and manner.auto:
        angle = shown()
        if wanted(lx.Angle(-angle.value_deg, angle.resolution_deg, angle.signed)):
            manner.turned = not manner.turned
            told = writer.setting("longitude", forms(), lambda: wanted(shown()))
            if told != "there":
                manner.turned = not manner.turned
    return told


def there_after_repeat(writer: Writer, name: str, form: str, there: Callable[[], bool]) -> bool:
    """A write without acknowledgement that reading back shows absent was lost on the line: send it once more."""
    accepted = writer.send(name, form)
    return accepted is not False and surely_there(accepted, there)


def surely_there(accepted: bool | None, there: Callable[[], bool]) -> bool:
    """Whether a setting shows. Where no acknowledgement came it is asked twice: one that comes late can pass for the
    answer, as `0#` for an offset of 0."""
    return there() and (accepted is not None or there())


def reading_back(talk: Talk, target: Target) -> dict[str, Callable[[], bool]]:
    """For latitude and offset: does the mount show the value now?"""

    def latitude() -> bool:
        angle, _, _ = talk.ask("get-latitude", lx.parse_latitude)
        return latitude_there(angle, target)

    def offset() -> bool:
        shown, _, _ = talk.ask("get-offset", lx.parse_offset)
        return offset_there(shown, target)

    return {"latitude": latitude, "offset": offset}


def longitude_there(shown: lx.Angle, target: Target) -> bool:
    """Whether the longitude shown is the target's, within what is lost in writing and showing it."""
    east = target.convention.east_longitude_deg(shown.value_deg)
    return abs(wrap_signed(east - target.longitude_deg, 360.0)) <= shown.resolution_deg + HALF_MINUTE_DEG


def latitude_there(shown: lx.Angle, target: Target) -> bool:
    """Likewise the latitude."""
    return abs(shown.value_deg - target.latitude_deg) <= shown.resolution_deg + HALF_MINUTE_DEG


def offset_there(shown: lx.OffsetText, target: Target) -> bool:
    """Likewise the offset. A display coarser than what is held is judged later, by the sidereal clock."""
    wanted = target.convention.shown_offset_h(target.offset_h)
    if abs(shown.value_h - wanted) < 1 / 120:
        return True
    coarse = shown.resolution_h > 0.02 and not lx.offset_fits(wanted, form=_form_of(shown.resolution_h))
    return coarse and abs(shown.value_h - wanted) < shown.resolution_h


def shown_as(target: Target) -> dict[str, Callable[[Any, Exchange], bool]]:
    """For longitude, latitude and offset: does an answer show the target's value?"""
    return {
        "longitude": lambda shown, _: longitude_there(shown, target),
        "latitude": lambda shown, _: latitude_there(shown, target),
        "offset": lambda shown, _: offset_there(shown, target),
    }


def shown_alike(one: lx.Angle | lx.OffsetText, other: lx.Angle | lx.OffsetText) -> bool:
    """Whether two readings of a coordinate, or of the offset, are the same within the resolution of their formats."""
    if isinstance(one, lx.Angle) and isinstance(other, lx.Angle):
        gap = abs(wrap_signed(one.value_deg - other.value_deg, 360.0))
        return gap <= max(one.resolution_deg, other.resolution_deg) + 1e-9
    return (
        isinstance(one, lx.OffsetText)
        and isinstance(other, lx.OffsetText)
        and (abs(one.value_h - other.value_h) < 1 / 120)
    )


def no_longer_there(readings: Readings, target: Target) -> set[str]:
    """Which of longitude, latitude and offset a later reading does not show as the target has them."""
    there = {
        "longitude": longitude_there(readings.longitude, target),
        "latitude": latitude_there(readings.latitude, target),
        "offset": offset_there(readings.offset, target),
    }
    return {name for name, stands in there.items() if not stands}


def _form_of(resolution_h: float) -> str:
    return "hours" if resolution_h > 0.5 else "tenths" if resolution_h > 0.05 else "minutes"


def write_date(writer: Writer, date: dt.date, convention: Convention, manner: Manner) -> Told:
    """Set the date. 29 February may be refused under the old year: then the year first, then again."""

    def there() -> bool:
        text, _, _ = writer.talk.ask("get-date", lx.parse_date)
        return text.in_order(convention.date_order, pivot=date.year - date.year % 100) == date

    forms = date_forms(date, convention, manner)
    told = writer.setting("date", forms, there)
    if told == "refused" and (date.month, date.day) == (2, 29):
        before = date.replace(day=28)
        writer.send("date", date_forms(before, convention, manner)[0])
        told = writer.setting("date", forms, there)
    return told


def goes_on_from(date: dt.date, order: Literal["mdy", "dmy"], midnight_at: float) -> Callable[[Any, Exchange], bool]:
    """Does an answer show this date, or the next one after the monotonic instant of midnight?"""

    def shows(shown: lx.DateText, answer: Exchange) -> bool:
        found = shown.in_order(order, pivot=date.year - date.year % 100)
        begun, ended = answer.t_before - ABOUT_MIDNIGHT_S, answer.t_written + ABOUT_MIDNIGHT_S
        return (found == date and begun < midnight_at) or (found == date + dt.timedelta(days=1) and ended > midnight_at)

    return shows


def earlier_forms(name: str, wire: bytes, manner: Manner) -> list[str]:
    """The arguments that put back a value as it was shown; empty where the text can't be read."""
    try:
        if name == "longitude":
            angle = lx.parse_longitude(wire)
            longitude = manner.marked.longitude.model_copy(update={"plus_sign": angle.value_deg >= 0 and angle.signed})
            marked = manner.marked.model_copy(update={"longitude": longitude})
            return [
                lx.longitude_argument(
                    -angle.value_deg if manner.turned else angle.value_deg,
                    marked,
                    positive="east",
                    unsigned=not angle.signed,
                    precision=precision,
                )
                for precision in manner.precisions()
            ]
        if name == "latitude":
            angle = lx.parse_latitude(wire)
            return [
                lx.latitude_argument(angle.value_deg, manner.marked, precision=precision)
                for precision in manner.precisions()
            ]
        value = lx.parse_offset(wire).value_h
    except ReplyError:
        return []
    order = (manner.offset_form, "tenths", "minutes", "hours")
    return list(
        dict.fromkeys(lx.offset_argument(value, form=form) for form in order if lx.offset_fits(value, form=form))
    )


def site_target(convention: Convention, site: Site, offset_h: float) -> Target:
    """The site, in a convention; where local time is taken for UTC the offset is 0."""
    offset = 0.0 if convention.local_is_utc else offset_h
    return Target(convention, site.latitude_deg, site.longitude_deg, offset)
