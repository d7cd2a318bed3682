"""A GNSS receiver as a source, by NMEA or through the GNSS daemon: epochs gathered into bounded claims.

Plain NMEA is late, and not by a constant: UTC at the arrival of an epoch's first byte lies in
[epoch time, epoch time + latency]. Consecutive epochs that advance with the monotonic clock come before the first
claim. Dates that are 1024 weeks off are named, never mended.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable

from noonmark.driver.places import PlaceClaim, distance_m
from noonmark.driver.sources import Claims
from noonmark.driver.sources.assembling import Assembler
from noonmark.driver.truth import ROLLOVER_DAYS, Silence, TimeClaim
from noonmark.driver.version import BUILD_DATE
from noonmark.protocols.epochs import WHY_NOT, Epoch
from noonmark.protocols.seams import Stream, StreamError

RUN = 10
"""Consecutive good epochs before the first claim."""

SOLE_RUN = 30
"""And before a receiver may stand alone."""

STEP_S = 0.2  # epochs that part further from the monotonic clock, from one to the next, are no run
WANDER_RUN = 25  # so many that form no run count too, where all are late within the bound
SILENT_S = 6.0  # a receiver of which not a byte came by then is given up
PATIENCE_S = 32.0  # and so is one without a good epoch
MONOTONIC_PPM = 100.0  # how fast or slow the monotonic clock of a host may be, at worst
LEAST_RADIUS_M = 25.0  # a receiver's place is never taken to be better than this
CAUSES = {"simulated": "receiver-simulated", "manual": "receiver-simulated"}


class ReceiverSource:
    """`epochs_wanted`: how many consecutive epochs end the collecting. `newest_record_s`: unix seconds of the
    newest record, before which a sole receiver's date can't be right."""

    origin = "gnss"

    def __init__(
        self,
        name: str,
        stream: Stream | None,
        assembler: Assembler,
        clock_monotonic: Callable[[], float],
        *,
        latency_s: float,
        epochs_wanted: int = RUN,
        newest_record_s: float = 0.0,
        trouble: str = "",
    ) -> None:
        self.name = name
        self._stream = stream
        self._assembler = assembler
        self._monotonic = clock_monotonic
        self._latency_s = latency_s
        self._wanted = epochs_wanted
        self._newest_record_s = newest_record_s
        self._start = clock_monotonic()
        self._run: list[Epoch] = []
        self._all_usable: list[Epoch] = []
        self._last_reason = ""
        self._heard = False
        self._trouble = trouble
        self._slips = 0
        self._claimed: tuple[float, float] | None = None
        self._given_up = stream is None

    @property
    def done(self) -> bool:
        return self._given_up or len(self._run) >= self._wanted or self._wanders()

    def _wanders(self) -> bool:
        """No run, but enough epochs whose lateness stays within the bound all the same."""
        recent = self._all_usable[-WANDER_RUN:]
        if len(recent) < max(WANDER_RUN, self._wanted):
            return False
        late = [_ahead(epoch) for epoch in recent]
        return max(late) - min(late) < self._latency_s - 0.05

    def go_on_to(self, epochs: int) -> bool:
        """Collect so many consecutive epochs after all; False where it has them, or there are no more to come."""
        if self._given_up or len(self._run) >= epochs:
            return False
        self._wanted = epochs
        return True

    def drain(self) -> None:
        """Take what has come since, though enough was said: a later jump of its time must be noticed."""
        if self._stream is not None and not self._given_up:
            self._listen(self._monotonic())

    def jumped(self) -> str:
        """What its newest epochs contradict of its own claim, in words; "" where nothing."""
        if self._claimed is None:
            return ""
        low, high = self._claimed
        for epoch in self._all_usable[-5:]:
            ahead = _ahead(epoch)
            if ahead > high or ahead + self._latency_s < low:
                jump_s = ahead - (low + high) / 2
                return f"{self.name}: its time jumped by about {jump_s:+.1f} s after it was taken for true"
        return ""

    def collect(self, until: float) -> None:
        if self._stream is None or self.done:
            return
        self._listen(until)

    def _listen(self, until: float) -> None:
        assert self._stream is not None
        try:
            for instant, chunk in self._stream.read(until):
                self._heard = True
                for epoch in self._assembler.feed(chunk, instant):
                    self._take(epoch)
        except StreamError as error:
            self._trouble, self._given_up = str(error), True
            return
        now = self._monotonic()
        for epoch in self._assembler.flush_older_than(now - 0.3):
            self._take(epoch)
        waited = now - self._start
        if (
            (not self._heard and waited > SILENT_S)
            or (waited > PATIENCE_S and not self._run)
            or waited > PATIENCE_S + self._wanted + WANDER_RUN
        ):
            self._given_up = True

    def _take(self, epoch: Epoch) -> None:
        if not epoch.usable or epoch.utc is None or epoch.instant is None:
            self._last_reason = epoch.why_not or "no usable epoch"
            self._run.clear()
            return
        self._all_usable.append(epoch)
        del self._all_usable[:-120]
        if self._run:
            step = abs(_ahead(epoch) - _ahead(self._run[-1]))
            if step > STEP_S or epoch.instant - (self._run[-1].instant or 0.0) > 5.0:
                self._slips += 1
                self._run.clear()
        self._run.append(epoch)
        del self._run[:-120]
        while _outran(self._run):
            del self._run[0]

    def claims(self) -> Claims:
        epochs = self._run if len(self._run) >= RUN else (self._all_usable[-WANDER_RUN:] if self._wanders() else [])
        if not epochs:
            return Claims(silences=[Silence(self.name, self.origin, *self._why_silent())])
        ahead = [_ahead(epoch) for epoch in epochs]
        age = MONOTONIC_PPM * 1e-6 * (self._monotonic() - (epochs[0].instant or 0.0))
        low, high = max(ahead) - age, min(ahead) + self._latency_s + age
        if low > high:
            why = f"its epochs are late by amounts that differ by more than latency_s = {self._latency_s:g} s"
            return Claims(silences=[Silence(self.name, self.origin, why)])
        self._claimed = self._claimed or (low, high)
        time = TimeClaim(self.name, self.origin, low, high, alone_not=self._alone_not(epochs))
        return Claims(times=[time], places=self._places(epochs))

    def _why_silent(self) -> tuple[str, str | None]:
        if self._trouble:
            return self._trouble, None
        if not self._heard:
            return "silent: not a byte came", "receiver-silent"
        slug = self._last_reason.split(":")[0]
        if self._all_usable and self._slips:
            return (
                f"its epochs don't advance with this host's monotonic clock ({self._slips} slips of over {STEP_S:g} s)",
                "receiver-time-jumps",
            )
        if self._last_reason:
            return self._last_reason, CAUSES.get(slug, "receiver-no-fix" if slug in WHY_NOT else None)
        return f"fewer than {RUN} good epochs came", "receiver-no-fix"

    def _alone_not(self, epochs: list[Epoch]) -> str:
        if len(epochs) < SOLE_RUN:
            return f"{len(epochs)} consecutive epochs, of {SOLE_RUN} that a sole receiver needs"
        utc = epochs[-1].utc
        assert utc is not None
        days = (utc - BUILD_DATE).days
        if days < 0:
            return (
                f"its date, {utc:%Y-%m-%d}, is before this program was built ({BUILD_DATE:%Y-%m-%d}): a week rollover?"
            )
        if days >= ROLLOVER_DAYS:
            return f"its date, {utc:%Y-%m-%d}, is {ROLLOVER_DAYS} days or more after this program was built"
        if utc.timestamp() < self._newest_record_s:
            return f"its date, {utc:%Y-%m-%d %H:%M}, is before the newest record"
        return ""

    def _places(self, epochs: list[Epoch]) -> list[PlaceClaim]:
        placed = [
            (epoch.latitude_deg, epoch.longitude_deg, epoch.altitude_m)
            for epoch in epochs
            if epoch.latitude_deg is not None and epoch.longitude_deg is not None
        ]
        if not placed:
            return []
        first = placed[0][1]
        latitude = statistics.median(lat for lat, _, _ in placed)
        turned = statistics.median((lon - first + 180.0) % 360.0 - 180.0 for _, lon, _ in placed)  # across 180 degrees
        longitude = (first + turned + 180.0) % 360.0 - 180.0
        heights = [alt for _, _, alt in placed if alt is not None]
        spread = max(distance_m(latitude, longitude, lat, lon) for lat, lon, _ in placed)
        altitude = statistics.median(heights) if heights else None
        return [PlaceClaim(self.name, self.origin, latitude, longitude, altitude, max(LEAST_RADIUS_M, spread))]

    def close(self) -> None:
        if self._stream is not None:
            self._stream.close()
            self._stream = None


def _outran(run: list[Epoch]) -> bool:
    """Whether a run went on faster than the monotonic clock: what lay in a buffer comes all at once, and at several
    epochs a second no single step of it is large."""
    if len(run) < 2:
        return False
    first, last = run[0], run[-1]
    assert first.utc is not None
    assert last.utc is not None
    told = (last.utc - first.utc).total_seconds()
    return _ahead(last) - _ahead(first) > max(STEP_S, told / 2)


def _ahead(epoch: Epoch) -> float:
    """Epoch time minus monotonic instant of arrival, seconds."""
    assert epoch.utc is not None
    assert epoch.instant is not None
    return epoch.utc.timestamp() - epoch.instant
