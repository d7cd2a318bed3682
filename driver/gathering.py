"""Opening the configured sources, and gathering what they say while the mount is being read."""

from __future__ import annotations

from dataclasses import dataclass, field

from noonmark.driver.config import Config
from noonmark.driver.places import PlaceClaim
from noonmark.driver.result import ClaimValue, TruthValue
from noonmark.driver.seams import Seams
from noonmark.driver.sources.assembling import assembler_for
from noonmark.driver.sources.host import HostSource
from noonmark.driver.sources.receiver import RUN, SOLE_RUN, ReceiverSource
from noonmark.driver.truth import Silence, TimeClaim, Truth, establish
from noonmark.protocols.seams import Clock, SeamError, Stream

SLICE_S = 0.25


@dataclass(slots=True)
class Sources:
    """All sources of a run. `host` is always read, whether it is configured as a source or not: results are told
    relative to this host's clock."""

    host: HostSource
    host_counts: bool
    receivers: list[ReceiverSource] = field(default_factory=list)

    @property
    def done(self) -> bool:
        return all(one.done for one in self.receivers)

    def gather(self, clock: Clock, limit: float) -> float:
        """Wait until every source has said enough, or until `limit`; returns the seconds it took."""
        start = clock.monotonic()
        for one in self.receivers:
            one.collect(clock.monotonic())
        while not self.done and clock.monotonic() < limit:
            for one in self.receivers:
                if not one.done:
                    one.collect(min(clock.monotonic() + SLICE_S, limit))
        return clock.monotonic() - start

    def ask_for_more(self) -> bool:
        """Have the receivers go on to as many epochs as one needs that stands alone; False where that's no more."""
        return any([one.go_on_to(SOLE_RUN) for one in self.receivers])  # noqa: C419 - each must be asked

    def truth(self, config: Config) -> Truth:
        """What all claims establish together, this host's clock looked at again."""
        self.host.recheck()
        times: list[TimeClaim] = []
        places: list[PlaceClaim] = []
        silences: list[Silence] = []
        for one in self.receivers:
            claims = one.claims()
            times += claims.times
            places += claims.places
            silences += claims.silences
        if self.host_counts:
            claims = self.host.claims()
            times += claims.times
            silences += claims.silences
        return establish(
            times,
            places,
            silences,
            config.site,
            time_origins_required=config.policy.time_origins_required,
            place_origins_required=config.policy.place_origins_required,
            site_tolerance_m=config.policy.site_tolerance_m,
        )

    def close(self) -> None:
        for one in self.receivers:
            one.close()


def open_sources(config: Config, seams: Seams, newest_record_s: float) -> Sources:
    """Open every source. One that can't be opened is no failure by itself: it is silent, and says why."""
    hosts = [source for source in config.sources if source.kind == "host"]
    host = HostSource(seams.clock, disciplined_by=hosts[0].disciplined_by if hosts else "network")
    sources = Sources(host, bool(hosts))
    try:
        _open_receivers(sources, config, seams, newest_record_s)
    except BaseException:
        sources.close()
        raise
    return sources


def _open_receivers(sources: Sources, config: Config, seams: Seams, newest_record_s: float) -> None:
    sole = config.policy.time_origins_required == 1 and not sources.host_counts
    for number, source in enumerate(config.sources):
        if source.kind == "host":
            continue
        stream: Stream | None = None
        trouble = ""
        try:
            stream = seams.open_stream(source)
            if source.kind == "gpsd":
                from noonmark.protocols.gpsd import watch_command

                stream.write(watch_command())
        except SeamError as error:
            trouble = str(error)
        sources.receivers.append(
            ReceiverSource(
                f"{source.kind}:{number}",
                stream,
                assembler_for(source.kind),
                seams.clock.monotonic,
                latency_s=source.latency_s,
                epochs_wanted=SOLE_RUN if sole else RUN,
                newest_record_s=newest_record_s,
                trouble=trouble,
            )
        )


def truth_value(truth: Truth, sources: Sources, zone_offset_h: float | None) -> TruthValue:
    """The truth as told in a result: UTC relative to this host's clock."""
    interval = None
    if truth.time_established:
        base = sources.host.utc_minus_monotonic
        interval = (truth.low - base, truth.high - base)
    return TruthValue(
        zone_offset_h=zone_offset_h,
        utc_interval_s=interval,
        claims=tuple(
            ClaimValue(
                source=one.source, origin=one.origin, kind=one.kind, agrees=one.agrees, why=one.why, cause=one.cause
            )
            for one in truth.verdicts
        ),
        established=truth.established,
        why=truth.why,
    )
