"""One run: what it has found out so far, and how that becomes a result, whatever went wrong."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Literal

from noonmark.driver import zones
from noonmark.driver.comparison import raw_rows, unix_datetime
from noonmark.driver.config import Config
from noonmark.driver.conventions import ALL, Convention, labels_of, tolerance_s
from noonmark.driver.escaping import escape
from noonmark.driver.gathering import Sources, truth_value
from noonmark.driver.mount import Talk, TimeLimit
from noonmark.driver.proof import Decision, Evidence, Sight
from noonmark.driver.record import Record
from noonmark.driver.result import (
    EXIT_STATUS,
    CauseValue,
    ClockValue,
    ConventionsValue,
    MountValue,
    Note,
    Outcome,
    Planned,
    Result,
    SettingRow,
    SiteValue,
    Wait,
)
from noonmark.driver.seams import Seams
from noonmark.driver.ticking.clockmanner import ClockManner
from noonmark.driver.truth import Truth
from noonmark.driver.version import VERSION
from noonmark.driver.versions import versions
from noonmark.driver.writing import Manner
from noonmark.protocols.dialect import Dialect
from noonmark.protocols.seams import Exchange

Verb = Literal["check", "set", "restore"]
SETS_CLOCK = frozenset({"offset", "date", "time"})
"""Settings that move what UTC a mount's clock stands for."""


class Stop(Exception):
    """The run ends here, with this outcome."""

    def __init__(self, outcome: Outcome, code: str, reason: str, remedy: str = "") -> None:
        super().__init__(reason)
        self.outcome, self.code, self.reason, self.remedy = outcome, code, reason, remedy


@dataclass(slots=True)
class Run:
    """The state of one run."""

    config: Config
    seams: Seams
    verb: Verb
    dialect: Dialect
    auto: bool
    start: float
    started_utc_s: float
    evidence: Evidence
    sources: Sources | None = None
    talk: Talk | None = None
    truth: Truth | None = None
    zone: zones.Zone | None = None
    zone_offset_h: float | None = None
    sight: Sight | None = None
    decision: Decision | None = None
    manner: Manner | None = None
    clock: ClockManner = field(default_factory=ClockManner)
    record: Record | None = None
    notes: list[Note] = field(default_factory=list)
    waits: list[Wait] = field(default_factory=list)
    planned: list[Planned] = field(default_factory=list)
    explanation: list[CauseValue] = field(default_factory=list)
    attempts: dict[str, list[str]] = field(default_factory=dict)  # every write, told before it was sent
    confirmed: set[str] = field(default_factory=set)  # read back within its budget after the last write
    aims: dict[str, Callable[[Any, Exchange], bool]] = field(
        default_factory=dict
    )  # does an answer show what was written?
    assumptions: list[str] = field(default_factory=list)
    written_since: list[str] = field(default_factory=list)  # settings, since the mount was looked at
    rows: tuple[SettingRow, ...] | None = None  # what a verb judges by something else than the truth

    @property
    def limit(self) -> float:
        """The monotonic instant at which everything must be over."""
        return self.start + self.config.policy.time_limit_s

    def note(self, slug: str, text: str) -> None:
        """Add a note, once."""
        if all(one.note != slug or one.text != text for one in self.notes):
            self.notes.append(Note(note=slug, text=text))

    def attempted(self, name: str, argument: str) -> None:
        """Remember a write that is about to be sent."""
        self.attempts.setdefault(name, []).append(argument)
        self.confirmed.discard(name)
        self.written_since.append(name)

    def standing(self) -> set[str]:
        """What was read back and, as far as any later answer tells, still stands."""
        shown = self.talk.shown if self.talk is not None else {}
        return {
            name
            for name in self.confirmed
            if name not in self.aims or f"get-{name}" not in shown or self.aims[name](*shown[f"get-{name}"])
        }

    def wait(self, what: str, seconds: float) -> None:
        """Name a part of the run's wall time; what comes again is added to it."""
        for index, one in enumerate(self.waits):
            if one.what == what:
                self.waits[index] = Wait(what=what, seconds=round(one.seconds + seconds, 3))
                return
        self.waits.append(Wait(what=what, seconds=round(seconds, 3)))

    @contextmanager
    def part(self, what: str) -> Iterator[None]:
        """Name a part of the wall time: as long as the context lasts, but for what is named within it."""
        clock = self.seams.clock
        begun, named_s = clock.monotonic(), sum(one.seconds for one in self.waits)
        try:
            yield
        finally:
            named_s = sum(one.seconds for one in self.waits) - named_s
            self.wait(what, max(clock.monotonic() - begun - named_s, 0.0))

    def pause_until(self, instant: float, what: str) -> None:
        """A stated wait, until a monotonic instant. Raises TimeLimit, at once, where that lies beyond the limit."""
        clock = self.seams.clock
        left = instant - clock.monotonic()
        if left <= 0:
            return
        if instant >= self.limit:
            raise TimeLimit
        clock.wait_until(instant)
        self.wait(what, left)

    def utc(self) -> dt.datetime | None:
        """The best UTC now, aware; None where none was established."""
        if self.truth is None or not self.truth.time_established:
            return None
        return unix_datetime(self.truth.utc_s(self.seams.clock.monotonic()))

    # --- telling ----------------------------------------------------------------------------------

    def result(
        self, outcome: Outcome | None, code: str, reason: str, remedy: str = "", *, exit_status: int | None = None
    ) -> Result:
        """The result as it stands now."""
        site = self.config.site
        status = EXIT_STATUS[outcome] if exit_status is None and outcome else exit_status
        assert status is not None
        best = self.decision.best if self.decision is not None else None
        settings = best.rows if best is not None else raw_rows(self.sight.readings) if self.sight is not None else ()
        if self.rows is not None:
            settings = self.rows
        standing = self.standing()
        written = [name for name in self.attempts if name in standing]
        return Result(
            noonmark_version=VERSION,
            verb=self.verb,
            outcome=outcome,
            exit_status=status,
            code=code,
            reason=reason,
            remedy=remedy,
            started_utc=unix_datetime(self.started_utc_s).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            duration_s=round(self.seams.clock.monotonic() - self.start, 3),
            site=SiteValue(
                name=site.name,
                latitude_deg=site.latitude_deg,
                longitude_deg=site.longitude_deg,
                elevation_m=site.elevation_m,
                timezone=site.timezone,
            ),
            mount=self._mount(),
            truth=truth_value(self.truth, self.sources, self.zone_offset_h)
            if self.truth is not None and self.sources is not None
            else None,
            settings=settings,
            clock=self._clock(),
            conventions=self._conventions(),
            notes=tuple(self.notes),
            planned=tuple(self.planned),
            written=tuple(written),
            unconfirmed=tuple(name for name in self.attempts if name not in standing),
            untouched=tuple(
                name for name in ("longitude", "latitude", "offset", "date", "time") if name not in self.attempts
            ),
            explanation=tuple(self.explanation),
            waits=tuple(self.waits),
            versions=versions(self.zone),
            record=str(self.record.path) if self.record is not None and "stage" in self.record.data else None,
        )

    def _mount(self) -> MountValue:
        if self.sight is None:
            return MountValue()
        readings = self.sight.readings
        return MountValue(
            product=escape(readings.product) if readings.product is not None else None,
            firmware=escape(readings.firmware) if readings.firmware is not None else None,
            status="".join(readings.status) if readings.status is not None else None,
            slewing=readings.slewing,
        )

    def _clock(self) -> ClockValue | None:
        if self.sight is None or self.sources is None:
            return None
        measure = self.sight.measure
        best = self.decision.best if self.decision is not None else None
        assumptions = tuple(dict.fromkeys([*measure.assumptions, *self.assumptions]))
        fault = measure.fault
        if SETS_CLOCK.intersection(self.written_since):
            best, fault = None, "it was written to since it was last measured"
        if best is None:
            return ClockValue(host_error_s=None, utc_error_s=None, assumptions=assumptions, fault=fault)
        one = best.hypothesis
        low, high = measure.anchored(one.local_s - one.instant, self.sight.readings.display_hours)
        base = self.sources.host.utc_minus_monotonic + one.offset_h * 3600.0
        return ClockValue(
            host_error_s=(low - base, high - base) if not self.sources.host.trouble else None,
            utc_error_s=best.utc_error_s,
            assumptions=assumptions,
            fault=measure.fault,
        )

    def _conventions(self) -> ConventionsValue | None:
        if self.sight is None:
            return None
        alive = self.decision.survivors if self.decision is not None else self.sight.conventions
        resolved, unknown = labels_of(sorted(alive))
        declared = self.evidence.declared
        if declared is not None:
            resolved, unknown = dict(declared.labels()), ()
        ranked = sorted(self.sight.hypotheses, key=lambda one: (not one.fits, abs(one.residual_s), one.convention))
        candidates: list[dict[str, Any]] = []
        for one in ranked:  # some hundreds at most: half days, quarter hours and centuries that would show alike
            shown = self.sight.readings.sidereal[0].seconds
            candidates.append(
                {
                    **one.convention.labels(),
                    "offset_h": round(one.offset_h, 4),
                    "predicted_sidereal_h": round(((shown - one.residual_s) / 3600.0) % 24.0, 6),
                    "misfit_s": round(one.residual_s, 2),
                    "fits": one.fits,
                    "survives": one.convention in alive and one.fits,
                }
            )
        proven = self.decision is not None and self.decision.state in ("right", "wrong") and bool(alive)
        return ConventionsValue(
            source="dialect" if declared is not None else "sidereal-clock" if alive else "none",
            resolved=resolved,
            unknown=unknown,
            candidates=tuple(candidates),
            proven=proven,
            tolerance_s=round(sum(tolerance_s(self.sight.readings).values()), 2),
            text=_tell(resolved, unknown, len(alive)),
        )


def _tell(resolved: dict[str, str | float | bool], unknown: tuple[str, ...], alive: int) -> str:
    if not alive and not resolved:
        return "no convention fits what the mount's sidereal clock shows"
    words = []
    if "longitude_positive" in resolved:
        words.append(f"longitude counts {resolved['longitude_positive']} positive")
    if resolved.get("local_is_utc"):
        words.append("its local time is taken for UTC")
    elif "offset_sense" in resolved:
        sense = "hours to add to local time to get UTC" if resolved["offset_sense"] == "to-utc" else "local minus UTC"
        words.append(f"its offset is {sense}")
    if resolved.get("daylight_hour"):
        words.append("it adds a daylight hour of its own")
    if "date_order" in resolved:
        words.append("dates are month first" if resolved["date_order"] == "mdy" else "dates are day first")
    text = "; ".join(words)
    if unknown:
        text += ("; " if text else "") + "not told by these values: " + ", ".join(unknown).replace("_", " ")
    return text


def allowed_conventions(dialect: Dialect, auto: bool) -> tuple[tuple[Convention, ...], Convention | None]:
    """(conventions to choose from, the declared one or None)."""
    if auto:
        return ALL, None
    declared = Convention(
        local_is_utc=dialect.clock.local_is_utc,
        daylight_hour=dialect.clock.daylight_hour and not dialect.clock.local_is_utc,
        offset_from_utc=dialect.offset.sense == "from-utc" and not dialect.clock.local_is_utc,
        east_positive=dialect.longitude.positive == "east",
        day_first=dialect.date.order == "dmy",
    )
    return (declared,), declared
