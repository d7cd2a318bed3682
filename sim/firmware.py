"""What a mount's firmware does with a command: its clock, its site, its sky, and nothing about bytes in flight.

Everything is a function of an instant: the clock is an anchor and a rate, and what happens by itself later (a
hand controller that overwrites, a memory that fails) waits in an agenda that is worked off before the next look.
"""

from __future__ import annotations

import calendar
import dataclasses
import datetime as dt
import heapq
from collections.abc import Callable
from math import floor

from noonmark.protocols.dialect import Dialect
from noonmark.sim import sky
from noonmark.sim.formats import Formats, clock_text
from noonmark.sim.state import Change, HiddenState, MountState, Quirks
from noonmark.sim.timeline import Timeline

DAY_S = 86400.0
UNIX_ORDINAL = 719163  # of 1970-01-01, proleptic Gregorian
SLEWING_BARS = b"\x7f\x7f\x7f"
_SKIES: dict[str, sky.SkyKind] = {"apparent": "apparent", "imprecise": "imprecise"}


class Firmware:
    """A mount without its line. `at` is always a monotonic instant of the timeline, not before the last one."""

    def __init__(self, dialect: Dialect, state: MountState, quirks: Quirks, timeline: Timeline, seed: int = 0) -> None:
        self.dialect = dialect
        self.state = state
        self.quirks = quirks
        self.changes: list[Change] = []
        self.on_change: Callable[[], None] | None = None
        self.offset_meaning = 1.0  # -1 after a restart that turned its offset's meaning round
        self._formats = Formats(dialect, truncates=quirks.truncates_coordinates)
        self._timeline = timeline
        self._seed = seed
        self._agenda: list[tuple[float, int, Callable[[float], None]]] = []
        self._asked = 0
        clock = dialect.clock
        self._holds_utc = clock.holds == "utc"
        self._local_is_utc = clock.local_is_utc
        self._rounds = clock.display_rounds
        self._twelve = clock.display_hours == 12
        self._phase_reset = clock.phase == "reset"
        self._renewed_always = clock.sidereal_renewed == "always"
        self._silent = frozenset(letters.encode("latin-1") for letters in quirks.silent)
        self._sky = _SKIES.get(quirks.sidereal, "mean")
        self._questions: dict[bytes, Callable[[float], bytes | None]] = {
            b"GC": lambda at: self._formats.date(self.shown_second(at)),
            b"GL": lambda at: clock_text(self.shown_second(at) % 86400, twelve=self._twelve),
            b"GG": lambda at: self._formats.offset(self.state.offset_h * self.offset_meaning),
            b"Gg": lambda at: self._formats.longitude(self.state.longitude_deg, self._long()),
            b"Gt": lambda at: self._formats.signed(self.state.latitude_deg, self._long()),
            b"GS": lambda at: clock_text(int(self.sidereal_h(at) * 3600.0) % 86400),
            b"GR": lambda at: self._formats.right_ascension(self.pointing(at)[0], self._long()),
            b"GD": lambda at: self._formats.signed(self.pointing(at)[1], self._long()),
            b"GA": lambda at: self._formats.signed(self.horizon(at)[0], self._long()),
            b"GZ": lambda at: self._formats.azimuth(self.horizon(at)[1], self._long()),
            b"GVP": lambda at: self.quirks.product,
            b"GVN": lambda at: self.quirks.firmware,
            b"D": lambda at: SLEWING_BARS if self.state.slewing else b"",
            b"GW": self._status,
            b"Gc": lambda at: b"12" if self._twelve else b"24",
            b"U": self._toggle,
        }
        self._settings: dict[str, Callable[[bytes, float], tuple[float, float] | None]] = {
            "date": self._set_date,
            "time": self._set_time,
            "offset": self._set_offset,
            "longitude": self._set_longitude,
            "latitude": self._set_latitude,
        }
        self._renew_sidereal(timeline.monotonic())

    # --- its clock -----------------------------------------------------------------------------

    def local_s(self, at: float) -> float:
        """Its local reading, seconds since 1970, not cut to what it displays."""
        state = self.state
        elapsed_s = self._timeline.true_utc_at(at) - state.at_utc_s
        return state.local_s + elapsed_s * (1.0 + state.drift_ppm * 1e-6)

    def set_local(self, local_s: float, at: float) -> None:
        """Anchor its local reading anew."""
        self.state.local_s = local_s
        self.state.at_utc_s = self._timeline.true_utc_at(at)

    def set_rate(self, drift_ppm: float, at: float) -> None:
        """From this instant its clock gains so much; -1e6 stops it."""
        self.set_local(self.local_s(at), at)
        self.state.drift_ppm = drift_ppm

    def daylight_h(self, at: float) -> float:
        """The hour of its own between local time and UTC that no command shows."""
        if self.quirks.automatic_daylight:
            return 1.0 if _in_daylight_months(self.local_s(at)) else 0.0
        state = self.state.daylight
        return 1.0 if (self.dialect.clock.daylight_hour if state is None else state) else 0.0

    def added_h(self, at: float) -> float:
        """What its local time has over the UTC that its sky stands on, hours."""
        if self._local_is_utc:
            return 0.0
        return self.state.offset_h + self.daylight_h(at)

    def utc_s(self, at: float) -> float:
        """The UTC that its sky stands on, seconds since 1970."""
        return self.local_s(at) - self.added_h(at) * 3600.0

    def shown_second(self, at: float) -> int:
        """The local reading as displayed, whole seconds since 1970."""
        quirks = self.quirks
        if quirks.display_every_s > 0:
            at = floor(at / quirks.display_every_s) * quirks.display_every_s
        reading = self.local_s(at) + (0.5 if self._rounds else 0.0)
        second = floor(reading)
        if quirks.uneven_s > 0 and reading - second < quirks.uneven_s * _scatter(second, self._seed):
            second -= 1
        return second

    # --- its sky -------------------------------------------------------------------------------

    def sidereal_h(self, at: float) -> float:
        """Its sidereal time, hours in [0, 24)."""
        kind = self.quirks.sidereal
        if kind == "frozen":
            return self._sidereal_base[0]
        if kind == "own-clock" or not self._renewed_always:
            base_h, since_utc_s = self._sidereal_base
            elapsed_s = (self._timeline.true_utc_at(at) - since_utc_s) * (1.0 + self.state.drift_ppm * 1e-6)
            return (base_h + elapsed_s * sky.SIDEREAL_RATE / 3600.0) % 24.0
        return sky.sidereal_h(self.utc_s(at), self.state.longitude_deg, self._sky)

    def _renew_sidereal(self, at: float) -> None:
        now_h = sky.sidereal_h(self.utc_s(at), self.state.longitude_deg, self._sky)
        self._sidereal_base = (now_h, self._timeline.true_utc_at(at))

    def pointing(self, at: float) -> tuple[float, float]:
        """(right ascension in hours, declination in degrees) of where the tube points, by its own sky."""
        aim = self.state.pointing
        if aim.kind == "sky":
            return aim.hours, aim.declination_deg
        if aim.kind == "pier":
            return (self.sidereal_h(at) - aim.hours) % 24.0, aim.declination_deg
        return self.sidereal_h(at), (90.0 if self.state.latitude_deg >= 0 else -90.0)

    def horizon(self, at: float) -> tuple[float, float]:
        """(altitude, azimuth) in degrees of where the tube points, by its own sky."""
        right_ascension_h, declination_deg = self.pointing(at)
        return sky.horizon_deg(self.sidereal_h(at), right_ascension_h, declination_deg, self.state.latitude_deg)

    # --- commands ------------------------------------------------------------------------------

    def ask(self, letters: bytes, at: float) -> bytes | None:
        """The text that answers a question, without its end mark; None: no reply is defined."""
        question = self._questions.get(letters)
        return None if question is None or letters in self._silent else question(at)

    def write(self, name: str, argument: bytes, at: float) -> bool:
        """Take a setting; False: refused, nothing changed."""
        state, quirks = self.state, self.quirks
        if quirks.refuses_parked and state.parked:
            return False
        if quirks.once_per_power_up and state.accepted.get(name, 0) > 0:
            return False
        values = self._settings[name](argument, at)
        if values is None:
            return False
        state.accepted[name] = state.accepted.get(name, 0) + 1
        self.changes.append(Change(at, name, argument, *values))
        if quirks.overwritten_after_s is not None:
            self.later(at + quirks.overwritten_after_s, self._overwrite)
        self.changed()
        return True

    def _set_longitude(self, argument: bytes, at: float) -> tuple[float, float] | None:
        value = self._formats.take_longitude(argument)
        if value is None:
            return None
        before, self.state.longitude_deg = self.state.longitude_deg, value
        return before, value

    def _set_latitude(self, argument: bytes, at: float) -> tuple[float, float] | None:
        value = self._formats.take_latitude(argument)
        if value is None:
            return None
        before, self.state.latitude_deg = self.state.latitude_deg, value
        return before, value

    def _set_offset(self, argument: bytes, at: float) -> tuple[float, float] | None:
        value = self._formats.take_offset(argument)
        if value is None:
            return None
        value *= self.offset_meaning
        before, self.state.offset_h = self.state.offset_h, value
        if self._holds_utc:
            self.set_local(self.local_s(at) + (value - before) * 3600.0, at)
        return before, value

    def _set_date(self, argument: bytes, at: float) -> tuple[float, float] | None:
        date = self._formats.take_date(argument)
        if date is None:
            return None
        before = self.local_s(at)
        if self.quirks.checks_date_under_old_year and (date.month, date.day) == (2, 29):
            old_year = dt.date.fromordinal(UNIX_ORDINAL + floor(before / DAY_S)).year
            if not calendar.isleap(old_year):
                return None
        time_s = 0.0 if self.dialect.date.resets_time else before % DAY_S
        after = (date.toordinal() - UNIX_ORDINAL) * DAY_S + time_s
        self.set_local(after, at)
        return before, after

    def _set_time(self, argument: bytes, at: float) -> tuple[float, float] | None:
        value = self._formats.take_time(argument)
        if value is None:
            return None
        before = self.local_s(at)
        fraction = 0.0 if self._phase_reset else before - floor(before)
        after = floor(before / DAY_S) * DAY_S + value + fraction
        self.set_local(after, at)
        self._renew_sidereal_at_set_time(at)
        if self.quirks.time_starts_tracking:
            self.start_tracking(at)
        if self.quirks.time_drops_alignment:
            self.state.alignment = "0"
        return before, after

    def _renew_sidereal_at_set_time(self, at: float) -> None:
        if self.quirks.sidereal not in ("own-clock", "frozen"):
            self._renew_sidereal(at)

    def _status(self, at: float) -> bytes:
        state = self.state
        tracks = state.tracking and not state.parked
        return f"{state.kind}{'T' if tracks else 'N'}{state.alignment}".encode("latin-1")

    def _long(self) -> bool:
        long = self.state.long_format
        return self.dialect.coordinates.shown == "second" if long is None else long

    def _toggle(self, at: float) -> None:
        if self.dialect.coordinates.toggles:
            self.state.long_format = not self._long()
            self.changed()

    # --- what happens by itself ----------------------------------------------------------------

    def later(self, at: float, event: Callable[[float], None]) -> None:
        """Do `event(instant)` once time has reached `at`."""
        self._asked += 1
        heapq.heappush(self._agenda, (at, self._asked, event))

    def advance(self, at: float) -> None:
        """Work off what was due by now."""
        while self._agenda and self._agenda[0][0] <= at:
            instant, _, event = heapq.heappop(self._agenda)
            event(instant)

    def _overwrite(self, at: float) -> None:
        self.overwrite(dict(self.quirks.overwritten_with), at)

    def overwrite(self, values: dict[str, float], at: float) -> None:
        """Another hand sets latitude_deg, longitude_deg, offset_h, or moves the clock by local_shift_s."""
        state = self.state
        state.latitude_deg = values.get("latitude_deg", state.latitude_deg)
        state.longitude_deg = values.get("longitude_deg", state.longitude_deg)
        state.offset_h = values.get("offset_h", state.offset_h)
        if "local_shift_s" in values:
            self.set_local(self.local_s(at) + values["local_shift_s"], at)
        self.changed()

    def start_tracking(self, at: float) -> None:
        """Track from where the tube points now."""
        aim = self.state.pointing
        if aim.kind == "pier":
            aim.hours, aim.declination_deg = self.pointing(at)
            aim.kind = "sky"
        self.state.tracking = True

    def select_memory(self, number: int, at: float) -> None:
        """Make another site memory the current one; one never used holds the place of the current one."""
        state = self.state
        state.memories[str(state.memory)] = [state.latitude_deg, state.longitude_deg]
        state.memory = number
        place = state.memories.pop(str(number), [state.latitude_deg, state.longitude_deg])
        state.latitude_deg, state.longitude_deg = place
        self.changed()

    def power_cycle(self, at: float) -> None:
        """Off and on: the clock goes on by its battery; formats, counts and slewing start anew."""
        self.state.accepted.clear()
        self.state.long_format = None
        self.state.slewing = False
        self._renew_sidereal(at)
        self.changed()

    def freeze_sidereal(self, at: float) -> None:
        """From now on its sidereal time stands still."""
        self._renew_sidereal(at)
        self.quirks = dataclasses.replace(self.quirks, sidereal="frozen")

    def rename(self, product: bytes) -> None:
        """What it calls itself from now on."""
        self.quirks = dataclasses.replace(self.quirks, product=product)

    def turn_offset(self) -> None:
        """The number it holds as its offset means the opposite from now on."""
        self.offset_meaning = -self.offset_meaning
        self.state.offset_h = -self.state.offset_h

    def replace_state(self, state: MountState, at: float) -> None:
        """Everything it remembered is this now, as after a reset."""
        self.state = state
        self._renew_sidereal(at)
        self.changed()

    def changed(self) -> None:
        """Tell who keeps the state that it is another now."""
        if self.on_change is not None:
            self.on_change()

    # --- seen from outside ---------------------------------------------------------------------

    def truth(self, at: float) -> HiddenState:
        """What is really inside at an instant."""
        self.advance(at)
        state = self.state
        true_utc_s = self._timeline.true_utc_at(at)
        local_s, utc_s = self.local_s(at), self.utc_s(at)
        daylight_h = self.daylight_h(at)
        civil_h = state.offset_h + daylight_h
        error_s = local_s - (true_utc_s + civil_h * 3600.0)
        zone = dt.timezone(dt.timedelta(seconds=round(local_s - utc_s)))
        return HiddenState(
            latitude_deg=state.latitude_deg,
            longitude_deg=state.longitude_deg,
            offset_h=state.offset_h,
            daylight_h=daylight_h,
            utc=_aware(utc_s),
            local=_aware(utc_s).astimezone(zone),
            clock_error_s=error_s,
            display_error_s=error_s + (0.5 if self._rounds else 0.0),
            utc_error_s=utc_s - true_utc_s,
            sidereal_h=self.sidereal_h(at),
            pole_altitude_deg=state.latitude_deg,
            parked=state.parked,
            tracking=state.tracking and not state.parked,
            slewing=state.slewing,
            alignment=state.alignment,
        )


def _aware(utc_s: float) -> dt.datetime:
    return dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=utc_s)


def _scatter(second: int, seed: int) -> float:
    """A number in [0, 1) that belongs to this tick of this mount."""
    mixed = (second * 2654435761 + seed * 40503 + 12345) & 0xFFFFFFFF
    mixed ^= mixed >> 15
    return (mixed * 2246822519 & 0xFFFFFFFF) / 4294967296.0


def _in_daylight_months(local_s: float) -> bool:
    """Second Sunday of March, 2 h, to first Sunday of November, 2 h (the USA's rule since 2007)."""
    day = dt.date.fromordinal(UNIX_ORDINAL + floor(local_s / DAY_S))
    begin = _sunday(day.year, 3, 2)
    end = _sunday(day.year, 11, 1)
    hours = local_s % DAY_S / 3600.0
    if day == begin:
        return hours >= 2
    if day == end:
        return hours < 2
    return begin < day < end


def _sunday(year: int, month: int, nth: int) -> dt.date:
    first = dt.date(year, month, 1)
    return first + dt.timedelta(days=(6 - first.weekday()) % 7 + 7 * (nth - 1))
