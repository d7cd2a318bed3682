"""Talking to a mount: questions with retries, getting back in step, and everything it says of itself.

A question is repeated up to three times. To get back in step: silence for one reply timeout, discard, then two
reads of known and different shape that both come out right. Neighbouring questions differ in the shape of their
answers, so that a reply one late is noticed and never taken for the answer to something else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from noonmark.protocols import lx
from noonmark.protocols.lx_reader import DateFlagReader, FlagReader, TextReader, reader_for
from noonmark.protocols.seams import Clock, Exchange, Link, LinkError, ReplyError

T = TypeVar("T")
ATTEMPTS = 3
OPTIONAL_TIMEOUT_S = 1.0
SLEWING_ATTEMPTS = 5


class Unreachable(Exception):
    """No sensible answer from the mount. `code` is a stable slug."""

    def __init__(self, message: str, code: str, remedy: str = "") -> None:
        super().__init__(message)
        self.code = code
        self.remedy = remedy


class TimeLimit(Exception):
    """The time limit of the run has passed."""


@dataclass(frozen=True, slots=True)
class Timed:
    """A time of day shown by the mount at some instant between `t_before` and `t_first` (monotonic).

    `seconds` since midnight, in [0, 86400); `display` 12 where only half a day is shown.
    """

    seconds: float
    resolution_s: float
    t_before: float
    t_first: float
    wire: bytes

    @property
    def instant(self) -> float:
        return (self.t_before + self.t_first) / 2

    @property
    def spread_s(self) -> float:
        return self.t_first - self.t_before


@dataclass(frozen=True, slots=True)
class Pointing:
    """Where the mount says it points: hours, degrees; azimuth as the mount counts it."""

    right_ascension_h: float
    declination_deg: float
    altitude_deg: float
    azimuth_deg: float
    resolution_deg: float


@dataclass(frozen=True, slots=True)
class Readings:
    """What the mount says of itself, as shown. Times are in the order in which they were asked."""

    date: lx.DateText
    date_wire: bytes
    local: tuple[Timed, ...]
    offset: lx.OffsetText
    offset_wire: bytes
    longitude: lx.Angle
    longitude_wire: bytes
    latitude: lx.Angle
    latitude_wire: bytes
    sidereal: tuple[Timed, ...]
    slewing: bool | None = None
    status: tuple[str, str, str] | None = None
    display_hours: int = 24
    product: bytes | None = None
    firmware: bytes | None = None
    pointing: Pointing | None = None


@dataclass(slots=True)
class Identity:
    """What does not change while we are there."""

    product: bytes | None = None
    firmware: bytes | None = None
    display_hours: int = 24
    has_status: bool = True
    has_pointing: bool = True
    has_slewing: bool = True
    asked: bool = False


@dataclass(slots=True)
class Talk:
    """One conversation over a link. `limit`: the monotonic instant after which nothing more is asked."""

    link: Link
    clock: Clock
    timeout_s: float
    limit: float
    acknowledgement: str = "unknown"
    notices: int = 0
    date_deadline_s: float = 35.0
    identity: Identity = field(default_factory=Identity)
    exchanges: int = 0
    bytes_on_wire: int = 0
    troubles: list[str] = field(default_factory=list)
    busy_until: float = 0.0
    shown: dict[str, tuple[Any, Exchange]] = field(default_factory=dict)  # the newest right answer to each question

    # --- one exchange -----------------------------------------------------------------------------

    def exchange(self, request: bytes, reader: Any, timeout_s: float, *, last_byte_at: float | None = None) -> Exchange:
        """One exchange within the time limit. Raises TimeLimit, ReplyError, LinkError."""
        now = self.clock.monotonic()
        start = max(now, last_byte_at or now)
        if start >= self.limit:
            raise TimeLimit
        deadline = min(start + timeout_s + len(request) * self.link.byte_s, self.limit)
        self.exchanges += 1
        result = self.link.exchange(request, reader, deadline, last_byte_at=last_byte_at)
        self.bytes_on_wire += len(request) + len(result.reply) + len(result.rest) + len(result.stray)
        return result

    def try_text(self, name: str, timeout_s: float | None = None) -> tuple[TextReader, Exchange] | None:
        """Ask once. None for silence; raises ReplyError for bytes that can't be an answer."""
        command = lx.COMMANDS[name]
        reader = TextReader(empty_ok=command.empty_ok)
        result = self.exchange(command.request(), reader, timeout_s or self.timeout_s)
        if not result.complete:
            if result.reply:
                raise ReplyError(f"{command.request().decode()} got half a reply: {result.reply[:24]!r}")
            return None
        if result.stray.strip(b"#") or result.rest.strip(b"#"):
            extra = result.stray or result.rest
            raise ReplyError(f"{command.request().decode()} met bytes of something else: {extra[:24]!r}")
        return reader, result

    def ask(self, name: str, parse: Callable[[bytes], T]) -> tuple[T, bytes, Exchange]:
        """Ask until a right answer comes, three times at most. Raises Unreachable."""
        trouble, unanswered = "", 0
        for attempt in range(ATTEMPTS):
            if attempt:
                self.resynchronise(trouble)
            try:
                got = self.try_text(name)
                if got is None:
                    unanswered += 1
                    trouble = f":{lx.COMMANDS[name].letters}# got no answer within {self.timeout_s:g} s"
                    continue
                value = parse(got[0].text)
                self.shown[name] = (value, got[1])
                return value, got[0].text, got[1]
            except ReplyError as error:
                trouble = str(error)
        if unanswered == ATTEMPTS:  # and each time it got back in step in between
            question = lx.COMMANDS[name]
            raise Unreachable(
                f"the mount does not answer :{question.letters}# ({question.meaning}), though it answers :GC# and :GL#",
                "mount-silent",
                "it seems not to know that question, and nothing can be judged without it: see its manual",
            )
        raise self._unreachable(trouble)

    def ask_optional(self, name: str, parse: Callable[[bytes], T]) -> tuple[T | None, bool]:
        """Ask for something not every mount answers: (value or None, whether anything came)."""
        trouble = ""
        for attempt in range(2):
            if attempt:
                self.resynchronise(trouble)
            try:
                got = self.try_text(name, min(self.timeout_s, OPTIONAL_TIMEOUT_S))
                if got is None:
                    return None, False
                return parse(got[0].text), True
            except ReplyError as error:
                trouble = str(error)
        self.resynchronise(trouble)
        return None, True

    def resynchronise(self, trouble: str) -> None:
        """Get back in step. Raises Unreachable when three tries don't bring two right answers, or when three
        questions on end bring not a byte."""
        self.troubles.append(trouble)
        last = trouble
        silent = 1 if "no answer" in trouble else 0  # an unanswered question was one reply timeout of silence
        for _ in range(ATTEMPTS):
            now = self.clock.monotonic()
            if now >= self.limit:
                raise TimeLimit
            if not silent:
                self.link.silence(self.timeout_s, min(now + 3 * self.timeout_s, self.limit))
            try:
                date = self.try_text("get-date")
                time = self.try_text("get-time") if date is not None else None
                if date is not None and time is not None:
                    lx.parse_date(date[0].text)
                    lx.parse_time(time[0].text)
                    return
                silent = silent + 1 if date is None else 1
                last = f"silent after: {trouble}" if not trouble.startswith("silent") else trouble
                if silent >= ATTEMPTS and self.clock.monotonic() >= self.busy_until:
                    break  # not out of step but absent
            except ReplyError as error:
                last, silent = str(error), 0
        raise self._unreachable(last)

    def _unreachable(self, trouble: str) -> Unreachable:
        if "no answer" in trouble or trouble.startswith("silent"):
            return Unreachable(
                f"the mount does not answer: {trouble}",
                "mount-silent",
                "check power, cable, port and the baud rate; a mount still starting up needs a moment",
            )
        return Unreachable(
            f"the mount's answers make no sense: {trouble}",
            "mount-garbled",
            "check the baud rate, and that no other program talks on this line",
        )

    # --- everything it says -----------------------------------------------------------------------

    def read_time(self, name: str = "get-time") -> Timed:
        """One time of day with the instants that bound it. Raises Unreachable."""
        value, wire, exchange = self.ask(name, lx.parse_time)
        assert exchange.t_first is not None
        assert exchange.t_last is not None
        # a late end mark of something else before the answer came before it: then only the last byte bounds it
        first = exchange.t_last if exchange.reply.startswith(b"#") else exchange.t_first
        return Timed(value.seconds, value.resolution_s, exchange.t_before, first, wire)

    def read_identity(self) -> None:
        """What does not change, asked once. Silence is an answer."""
        identity = self.identity
        if identity.asked:
            return
        identity.asked = True
        shown, answers = self.ask_optional("get-clock-display", lx.parse_clock_display)
        identity.display_hours = shown or 24
        identity.product, answers = self.ask_optional("get-product", bytes)
        if answers:
            identity.firmware, _ = self.ask_optional("get-firmware", bytes)

    def read_slewing(self) -> bool | None:
        """Whether the mount moves to a target. An empty text can be the late end of another reply, and noise can
        pass for bars: it is asked until two answers on end agree, with something of another shape in between. None
        where the mount doesn't say; True where its answers never agree."""
        if not self.identity.has_slewing:
            return None
        last: bytes | None = None
        silent = 0
        for number in range(SLEWING_ATTEMPTS):
            if number:
                self.ask("get-date", lx.parse_date)
            text, answers = self.ask_optional("get-slewing", bytes)
            silent += not answers
            if silent == 2 and last is None:
                self.identity.has_slewing = False
                return None
            if text is not None and last is not None and bool(text) == bool(last):
                return bool(text)
            last = text if text is not None else last
        return True

    def read_all(self, *, pointing: bool = True) -> Readings:
        """Every setting, both clocks twice, the date before and after. Raises Unreachable, TimeLimit."""
        for _ in range(ATTEMPTS):
            readings = self._read_once(pointing)
            if readings is not None:
                return readings
        raise Unreachable("the mount's date changes at every reading", "mount-garbled", "watch its display")

    def _read_once(self, pointing: bool) -> Readings | None:
        date, date_wire, _ = self.ask("get-date", lx.parse_date)
        local = [self.read_time()]
        slewing = self.read_slewing()
        offset, offset_wire, _ = self.ask("get-offset", lx.parse_offset)
        sidereal = [self.read_time("get-sidereal")]
        latitude, latitude_wire, _ = self.ask("get-latitude", lx.parse_latitude)
        self.read_identity()
        status = self._read_status()
        longitude, longitude_wire, _ = self.ask("get-longitude", lx.parse_longitude)
        aim = self._read_pointing() if pointing else None
        local.append(self.read_time())
        again, _, _ = self.ask("get-date", lx.parse_date)
        sidereal.append(self.read_time("get-sidereal"))
        if again != date:
            return None  # midnight passed between them
        identity = self.identity
        return Readings(
            date, date_wire, tuple(local), offset, offset_wire, longitude, longitude_wire, latitude, latitude_wire,
            tuple(sidereal), slewing, status, identity.display_hours, identity.product, identity.firmware, aim,
        )  # fmt: skip

    def still_shows(self, readings: Readings) -> Timed | None:
        """The time now, where offset, date and place are still as they were read, the date gone on where midnight has
        passed; None where they are not: what takes seconds to read can change meanwhile. Raises Unreachable,
        TimeLimit."""
        offset, _, _ = self.ask("get-offset", lx.parse_offset)
        latitude, _, _ = self.ask("get-latitude", lx.parse_latitude)
        time = self.read_time()
        longitude, _, _ = self.ask("get-longitude", lx.parse_longitude)
        date, _, _ = self.ask("get-date", lx.parse_date)
        midnight = time.seconds < readings.local[-1].seconds
        same = (offset, latitude, longitude) == (readings.offset, readings.latitude, readings.longitude)
        return time if same and (date == readings.date or midnight) else None

    def _read_status(self) -> tuple[str, str, str] | None:
        if not self.identity.has_status:
            return None
        status, answers = self.ask_optional("get-status", lx.parse_status)
        self.identity.has_status = answers
        return status

    def _read_pointing(self) -> Pointing | None:
        if not self.identity.has_pointing:
            return None
        declination, answers = self.ask_optional("get-declination", lx.parse_sexagesimal)
        if not answers:
            self.identity.has_pointing = False
            return None
        ascension, _ = self.ask_optional("get-right-ascension", lx.parse_right_ascension)
        altitude, _ = self.ask_optional("get-altitude", lx.parse_sexagesimal)
        azimuth, _ = self.ask_optional("get-azimuth", lx.parse_sexagesimal)
        if declination is None or ascension is None or altitude is None or azimuth is None:
            return None
        resolution = max(ascension.resolution_s / 240, altitude.resolution_deg, declination.resolution_deg)
        return Pointing(
            ascension.seconds / 3600, declination.value_deg, altitude.value_deg, azimuth.value_deg, resolution
        )

    # --- writing ----------------------------------------------------------------------------------

    def write(
        self, name: str, argument: str, *, last_byte_at: float | None = None
    ) -> tuple[bool | None, Exchange | None]:
        """Send one set command: (accepted True, refused False, no acknowledgement None; the exchange).

        Never repeated here: what became of it is found by reading back. Raises LinkError, TimeLimit.
        """
        command = lx.SETTERS[name]
        reader = reader_for(command, self.acknowledgement, self.notices)
        timeout = self.date_deadline_s if name == "date" else self.timeout_s
        if self.acknowledgement == "silent":  # seen before: shorten the wait, but still take a flag that comes
            timeout = min(timeout, 0.3)
        elif name == "date" and self.acknowledgement != "none" and self.notices == 0:
            timeout = min(timeout, max(self.timeout_s, 4.0))
        try:
            result = self.exchange(command.request(argument), reader, timeout, last_byte_at=last_byte_at)
        except ReplyError as error:
            self.troubles.append(str(error))
            return None, None
        except LinkError as error:
            if error.code != "write-timeout":
                raise
            self.troubles.append(str(error))
            return None, None
        accepted = reader.accepted if isinstance(reader, (FlagReader, DateFlagReader)) else None
        return accepted, result

    def settle_after_date(self) -> None:
        """A date may renew tables for up to half a minute, silently or with notices that come late: wait until
        the mount answers again with a date. Raises Unreachable when it does not within the deadline."""
        end = min(self.clock.monotonic() + self.date_deadline_s, self.limit)
        self.busy_until = end
        trouble = "the mount does not answer after its date was set"
        while self.clock.monotonic() < end:
            try:
                got = self.try_text("get-date", min(self.timeout_s, 1.0))
                if got is not None:
                    lx.parse_date(got[0].text)
                    time = self.try_text("get-time")
                    if time is not None:
                        lx.parse_time(time[0].text)
                        self.busy_until = 0.0
                        return
            except ReplyError as error:
                trouble = str(error)
                now = self.clock.monotonic()
                self.link.silence(min(0.5, self.timeout_s), min(now + self.timeout_s, self.limit))
        if self.clock.monotonic() >= self.limit:
            raise TimeLimit
        raise Unreachable(trouble, "mount-busy", "wait until the mount is ready, then run again")
