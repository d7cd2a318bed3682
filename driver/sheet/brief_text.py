"""The sheet as a page of plain text for a person: 80 columns, every number with its unit, nothing to look up."""

from __future__ import annotations

from datetime import datetime

from noonmark.driver import zones
from noonmark.driver.brief import Brief, PoleSheet, TrueNorth
from noonmark.driver.escaping import escape
from noonmark.driver.sheet import pole_drawing
from noonmark.driver.sheet.azimuths import AzimuthCheck
from noonmark.driver.sheet.balance import Balance, Payload
from noonmark.driver.sheet.brief_page import (
    LABEL,
    WIDTH,
    Page,
    hours_minutes,
    hours_minutes_seconds,
    plain_angle,
    row,
    section,
    wrapped,
)
from noonmark.driver.sheet.keypad import Keypad, ZoneChange, angle_text, hours_text
from noonmark.driver.sheet.level import Tilt
from noonmark.driver.sheet.night import Event, Night, Span
from noonmark.driver.sheet.pole import LOW_POLE_DEG, StarAtPole, Turn
from noonmark.driver.zones import Zone


def render(sheet: Brief, *, zone: Zone | None = None) -> str:
    """The page, ended by a line end. Times are local to the site unless they say UTC."""
    rules = zones.load_zone(sheet.site.timezone) if zone is None else zone
    page = Page(rules, sheet.utc)
    lines = [
        *_head(sheet, page),
        *section("WHAT TO TYPE, on a keypad without a line to us", _keypad(sheet.keypad, sheet.site.elevation_m)),
        *section("TRUE NORTH", _north(sheet.north, page)),
        *section("THE POLE", _pole(sheet.pole, page)),
        *section("LEVEL", _level(sheet.level)),
        *(section("BALANCE", _balance(sheet.balance, sheet.payload)) if sheet.balance and sheet.payload else []),
        *section("THE NIGHT", _night(sheet.night, sheet.zone_change_tonight, page)),
        *section("CAUTIONS", [line for one in sheet.cautions for line in row(one.about, one.text)]),
        *(section("MIND", [line for note in sheet.notes for line in row("!", note)]) if sheet.notes else []),
        *section("WHAT THIS RESTS ON", _rests_on(sheet)),
    ]
    return "\n".join(lines) + "\n"


def _head(sheet: Brief, page: Page) -> list[str]:
    name = escape(sheet.site.name) or "unnamed site"
    return [
        f"NOONMARK BRIEF  {name}"[:WIDTH],
        f" for {page.full(sheet.utc)} local = {sheet.utc:%Y-%m-%d %H:%M:%S} UTC",
        *wrapped(
            f"Times are those of {sheet.site.timezone}, + on the day after, UTC where it says so. Azimuths are from "
            "true north (0 deg) through east (90 deg)."
        ),
    ]


def _keypad(typed: Keypad, elevation_m: float) -> list[str]:
    place = typed.place
    lines = [
        *row("Latitude", f"{place.latitude_seconds}  =  {place.latitude_decimal} deg  (north +, south -)"),
        *row("Longitude", f"{place.longitude_seconds}  =  {place.longitude_decimal} deg  (east +, west -)"),
        *row("  signed", f"east +: {place.longitude_east_positive}   west +: {place.longitude_west_positive}"
              "   (deg min sec)"),
        *row("  0 to 360", f"eastward: {place.longitude_east_0_360}   westward: {place.longitude_west_0_360}"
              "   (deg min sec)"),
        *row("  short", f"{place.latitude_minutes}   {place.longitude_minutes}   (to the minute of arc)"),
        *row("Elevation", f"{elevation_m:.0f} m above mean sea level"),
        *row("Date", f"{typed.local_date} = {_date_words(typed.local_date)} (a keypad may want month first)"),
        *row("Time", f"{typed.local_time} local = {typed.utc:%H:%M:%S} UTC, next full minute: enter it then"),
        *row("Offset", f"{_offset(typed.offset_h)} if it asks local minus UTC (east +)"),
        *row("", f"{_offset(-typed.offset_h)} if it asks UTC minus local (west +)"),
        *row("Daylight", _daylight(typed)),
        *row("Next change", _next_change(typed.next_change)),
    ]  # fmt: skip
    return lines


def _offset(offset_h: float) -> str:
    return f"{hours_text(offset_h)} h = {offset_h + 0.0:+.2f} h"


def _date_words(iso: str) -> str:
    return f"{datetime.fromisoformat(iso):%d %B %Y}".lstrip("0")


def _daylight(typed: Keypad) -> str:
    if not typed.daylight:
        return "no daylight saving is in it: leave that off"
    west = typed.standard_offset.translate(str.maketrans("+-", "-+")).replace("-00:00", "+00:00")
    return (
        f"daylight saving is in it; if it is asked for apart: on, and the offset {typed.standard_offset} h (east +) "
        f"or {west} h (west +)"
    )


def _next_change(change: ZoneChange | None) -> str:
    if change is None:
        return "the offset does not change within 400 days"
    return (
        f"{change.local} (old clock): {hours_text(change.offset_before_h)} to "
        f"{hours_text(change.offset_after_h)} h (east +)"
    )


def _north(north: TrueNorth, page: Page) -> list[str]:
    lines = _compass(north)
    lines += row("Sun, by day", _sightings(north.sun, page) + ("; shadows lie opposite" if north.sun.sightings else ""))
    return lines + row("Star, at night", _sightings(north.star, page))


def _compass(north: TrueNorth) -> list[str]:
    field = north.magnetic
    if field is None:
        return row("Compass", "not to be used: no magnetic model covers this day (see MIND)")
    if field.trust == "useless":
        return row("Compass", f"useless here: the field's horizontal part is {field.horizontal_nt:.0f} nT")
    side = "east" if field.declination_deg >= 0.0 else "west"
    sure = "" if field.uncertainty_deg is None else f" +- {field.uncertainty_deg:.2f} deg (1 standard error)"
    yearly = "" if field.annual_change_deg is None else f", {field.annual_change_deg:+.2f} deg a year"
    weak = "; the field is weak here, so trust it less" if field.trust == "caution" else ""
    pole = "south" if north.pole_azimuth_deg == 180.0 else "north"
    if north.axis_error_deg is None or north.compass_towards_pole_deg is None:
        towards = "no use for the axis: the pole is overhead, and no direction leads to it"
    else:
        towards = (
            f"reads {north.compass_towards_pole_deg:.1f} deg when held to true {pole} "
            f"({north.pole_azimuth_deg:.0f} deg), where the axis must point; by the bare compass the axis is "
            f"{north.axis_error_deg:.1f} deg off"
        )
    return [
        *row("Declination", f"{abs(field.declination_deg):.2f} deg {side}{sure}{yearly}; {field.model}, last day "
              f"{field.last_day}, without the iron nearby{weak}"),
        *row("Compass", towards),
    ]  # fmt: skip


def _sightings(check: AzimuthCheck, page: Page) -> str:
    if not check.sightings:
        return f"none: {check.why}"
    rows = [f"{page.time(one.utc)} {one.azimuth_deg:.1f}/{one.altitude_deg:.0f}" for one in check.sightings]
    named = "" if check.magnitude is None else f"{check.body}, magnitude {round(check.magnitude, 1) + 0.0:.1f}; "
    return f"{named}azimuth/altitude, deg: {', '.join(rows)}"


def _pole(sheet: PoleSheet, page: Page) -> list[str]:
    height = sheet.altitude
    low = " (so low that the real air may differ by minutes of arc)" if height.airless_deg < LOW_POLE_DEG else ""
    lines = row(
        "Altitude",
        f"the {height.pole} pole stands {height.airless_deg:.3f} deg high ({plain_angle(height.airless_deg)}), and "
        f"{height.refraction_arcmin:.1f}' higher to the eye: {height.seen_deg:.3f} deg at "
        f"{height.pressure_hpa:.0f} hPa "
        f"and {height.temperature_c:.0f} C{low}",
    )
    star = sheet.now
    lines += row(
        star.star,
        f"{star.distance_arcmin:.2f}' from the pole, at {hours_minutes_seconds(star.right_ascension_h)}, "
        f"{angle_text(star.declination_deg, 'NS', seconds=False)} of date",
    )
    lines += row(f"  at {page.time(star.utc)}", _where(star))
    shown = sheet.now
    if sheet.at_dusk is not None:
        shown = sheet.at_dusk
        lines += row(f"  dusk {page.time(shown.utc)}", _where(shown))
    turns = [f"{turn.name} {page.time(turn.utc)}{_azimuth(turn)}" for turn in sheet.turns]
    if turns:
        lines += row("Next", ", ".join(turns))
    return [*lines, *_drawing(shown, page)]


def _azimuth(turn: Turn) -> str:
    return f" (azimuth {turn.azimuth_deg:.2f} deg)" if turn.name.endswith("elongation") else ""


def _where(star: StarAtPole) -> str:
    hour_angle = f"hour angle {hours_minutes(star.hour_angle_h)}"
    if star.clock_erect is None or star.clock_inverted is None:
        return f"{hour_angle} from this longitude's meridian; no clock face, since overhead there is no up"
    return (
        f"{hour_angle}; clock face {pole_drawing.clock_text(star.clock_erect)} upright, "
        f"{pole_drawing.clock_text(star.clock_inverted)} inverted"
    )


def _drawing(star: StarAtPole, page: Page) -> list[str]:
    if star.clock_erect is None or star.clock_inverted is None:
        return []
    left = [f"upright at {page.time(star.utc)}", *pole_drawing.dial(star.clock_erect)]
    right = [f"inverted at {page.time(star.utc)}", *pole_drawing.dial(star.clock_inverted)]
    lines = pole_drawing.side_by_side(left, right, indent=LABEL, width=34)
    return [*lines, *row("", f"+ pole, * {star.star}; facing the pole, 12 up, no mirror")]


def _level(lean: Tilt) -> list[str]:
    swing = (
        "leans over (the pole is overhead, so it has no azimuth)"
        if lean.east_azimuth_deg is None
        else f"swings {lean.east_azimuth_deg:.2f} deg to the east, {lean.east_altitude_deg:.3f} deg down"
    )
    return [
        *row("Pole's side", f"{lean.tilt_deg:.0f} deg low: an axis set by its scale is {lean.towards_altitude_deg:.2f} "
              "deg too low"),
        *row("East side", f"{lean.tilt_deg:.0f} deg low: the axis {swing}, {lean.east_shift_deg:.2f} deg on the sky"),
        *row("Afterwards", "harmless once the axis is on the pole; the base must stand firm"),
    ]  # fmt: skip


def _balance(result: Balance, payload: Payload) -> list[str]:
    span = f"{payload.shaft_from_mm:.0f}-{payload.shaft_to_mm:.0f} mm"
    where = {
        "fits": f"centre {result.weights_at_mm:.0f} mm from the polar axis (shaft {span})",
        "too-light": f"too light: even at the shaft's end ({payload.shaft_to_mm:.0f} mm) {result.lacking_kg:.2f} kg "
        "more are needed there",
        "too-heavy": f"too heavy: even at the shaft's beginning ({payload.shaft_from_mm:.0f} mm) they are "
        f"{result.surplus_kg:.2f} kg too much; take one off",
    }[result.fit]
    share = (
        "no capacity is stated in [payload]"
        if result.share_of_capacity is None
        else f"{result.share_of_capacity * 100.0:.0f} % of the stated {payload.capacity_kg:.1f} kg (weights not "
        "counted)"
    )
    over = ": TOO MUCH" if result.share_of_capacity is not None and result.share_of_capacity > 1.0 else ""
    return [
        *row("Weights", f"{result.weights_kg:.2f} kg: {where}"),
        *row("A slip", f"of 1 mm leaves {result.torque_per_mm_nm:.3f} N m of torque about the polar axis"),
        *row("Load", f"{result.load_kg:.2f} kg, {share}{over}; the pier bears {result.total_kg:.2f} kg and the mount"),
        *row("Order", "weights on before the tube, off after it; the stop on the shaft's end; a hand on the tube when "
              "a clamp opens"),
    ]  # fmt: skip


def _night(night: Night, change: ZoneChange | None, page: Page) -> list[str]:
    sun = [event for event in night.events if event.name in ("sunset", "sunrise")]
    sun_text = _events(sun, page) if sun else f"{night.sun} all day and night"
    lines = row("Sun", f"{sun_text} (upper limb at -50', sea horizon)")
    for kind in ("dusk", "dawn"):
        events = [event for event in night.events if event.name.endswith(kind)]
        none = "it is dark throughout" if night.darkest == "dark" else f"it gets no darker than {night.darkest}"
        lines += row(kind.capitalize(), _events(events, page, kind) or f"none: {none}")
    if any(event.name.endswith(("dusk", "dawn")) for event in night.events):
        lines += row("", "(the Sun's centre at -6, -12, -18 deg, airless)")
    lines += row("Sidereal time", _sidereal(night, page))
    moon = [event for event in night.events if event.name in ("moonrise", "moonset")]
    grows = "waxing" if night.moon_waxing else "waning"
    lines += row(
        "Moon",
        f"{night.moon_illuminated * 100.0:.0f} % lit, {grows}; {_events(moon, page) or 'neither rises nor sets'}",
    )
    lines += row("Without it", _moonless(night, page))
    lines += row(
        "Clocks", "no change tonight" if change is None else f"THE OFFSET CHANGES TONIGHT {_next_change(change)}"
    )
    return lines + row("Leap second", _leap(night))


def _events(events: list[Event], page: Page, drop: str = "") -> str:
    return ", ".join(f"{event.name.removesuffix(' ' + drop)} {page.time(event.utc)}" for event in events)


def _sidereal(night: Night, page: Page) -> str:
    if night.sidereal_dusk_h is None or night.sidereal_dawn_h is None:
        return f"no dusk and dawn tonight: {night.darkest} throughout"
    start, end = night.dark[0].start, night.dark[-1].end
    return (
        f"{hours_minutes_seconds(night.sidereal_dusk_h)} at {page.time(start)}, "
        f"{hours_minutes_seconds(night.sidereal_dawn_h)} at {page.time(end)} "
        f"(local apparent; in between: {night.darkest})"
    )


def _moonless(night: Night, page: Page) -> str:
    if not night.dark:
        return "it gets dark at no time"
    if not night.moonless:
        return f"never while it is {night.darkest}"
    return ", ".join(_span(span, page) for span in night.moonless) + f", while it is {night.darkest}"


def _span(span: Span, page: Page) -> str:
    return f"{page.time(span.start)} to {page.time(span.end)} ({span.hours:.1f} h)"


def _leap(night: Night) -> str:
    if night.leap_second is not None:
        return f"ONE TONIGHT, at the end of the UTC day before {night.leap_second}: set the clock again after it"
    known = night.leap_seconds_known_until
    return "none tonight" if night.end.date() <= known else f"none known of; they are announced until {known} only"


def _rests_on(sheet: Brief) -> list[str]:
    v = sheet.versions
    whose = "the system" if v.zones_source == "system" else "the package tzdata"
    magnetic = v.magnetic_model + (f" (to {v.magnetic_model_last_day})" if v.magnetic_model_last_day else "")
    return wrapped(
        f"noonmark {v.noonmark}; zone rules {v.zones} of {whose}; {v.earth_orientation} (UT1-UTC "
        f"{sheet.ut1_utc_s:+.3f} s +- {sheet.ut1_utc_bound_s:.3f} s, table to {v.earth_orientation_last_day}); leap "
        f"seconds to {v.leap_seconds_known_until}; magnetic model {magnetic}; stars: Hipparcos, new reduction. No "
        "network was used."
    )
