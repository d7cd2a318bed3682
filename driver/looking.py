"""The stages that only look: read the mount, gather the sources, establish the truth, decide."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from noonmark.driver import conventions, zones
from noonmark.driver.comparison import unix_datetime
from noonmark.driver.dialects import contributed
from noonmark.driver.escaping import escape
from noonmark.driver.gathering import Sources, open_sources
from noonmark.driver.mount import ATTEMPTS, Readings, Talk, Unreachable
from noonmark.driver.proof import Decision, Sight, decide, latitude_sign, sidereal_trouble
from noonmark.driver.run import Run, Stop
from noonmark.driver.seams import guarded
from noonmark.driver.ticking import clockmanner, clockreading
from noonmark.driver.truth import Truth
from noonmark.driver.writing import HALF_MINUTE_DEG, manner_from

READING = "reading the mount's settings"  # a part of the wall time
FREE_S = 4.0  # receivers need ten seconds and more: until then, measuring the clock for longer costs no time
ASKED_AGAIN, ANSWER_BYTES = 6, 9  # `still_shows` and the sidereal time; what comes after an answer's first byte
WRITING_S = 25.0  # from the truth to the proof, as a rule
RESERVE_S = 20.0  # of the time limit, kept for what follows the gathering


def open_all(run: Run, newest_record_s: float, *, reads_only: bool) -> Sources:
    """Open the line to the mount, then the sources: of two runs at once the second must not take a source away from
    the first. Raises LinkError, Interrupted."""
    link = guarded(run.seams.open_link(run.config, reads_only), reads_only)
    mount = run.config.mount
    run.talk = Talk(
        link,
        run.seams.clock,
        run.dialect.deadlines.other_s or mount.reply_timeout_s,
        run.limit,
        acknowledgement="unknown" if run.auto else run.dialect.acknowledgement,
        notices=0 if run.auto else run.dialect.date.notices,
        date_deadline_s=run.dialect.deadlines.date_s,
    )
    run.clock = clockmanner.manner_of(run.dialect, run.auto)
    run.sources = open_sources(run.config, run.seams, newest_record_s)
    if run.sources.host.assumption:
        run.note("host-bound-assumed", run.sources.host.assumption)
    return run.sources


def look_at_mount(
    run: Run, *, pointing: bool = True, quick: bool = False, measure: clockreading.ClockMeasure | None = None
) -> Sight:
    """Read everything, and measure the clock, where it was not just before; then ask for the settings again, since one
    can change meanwhile, and one answer be damaged into another. quick: take what the times read along tell of the
    clock. Raises Unreachable, TimeLimit, Stop."""
    assert run.talk is not None
    for _ in range(ATTEMPTS):
        readings = _read_all(run, pointing)
        if measure is not None and clockmanner.goes_on(measure, readings.local[-1]):
            found = measure
            break
        found = clockmanner.glance(readings, run.clock) if quick else _measured(run, readings)
        with run.part(READING):
            time = run.talk.still_shows(readings)
            goes_on = time is not None and clockmanner.goes_on(found, time)
            if goes_on:
                last = run.talk.read_time("get-sidereal")  # what a setting means can change too: its sky is asked again
                readings = replace(readings, sidereal=(*readings.sidereal, last))
        if goes_on:
            break
    else:
        raise Unreachable("the mount's settings change at every reading", "mount-garbled", "watch its display")
    run.sight = run.evidence.look(readings, found)
    run.written_since.clear()
    return run.sight


def _read_all(run: Run, pointing: bool) -> Readings:
    assert run.talk is not None
    before = run.seams.clock.monotonic()
    readings = run.talk.read_all(pointing=pointing)
    run.wait(READING, run.seams.clock.monotonic() - before)
    return readings


def _measured(run: Run, readings: Readings) -> clockreading.ClockMeasure:
    assert run.talk is not None
    before = run.seams.clock.monotonic()
    budget_s, ticks = _patience(run, readings)
    try:
        measure = clockmanner.look(run.talk, readings, run.clock, budget_s=budget_s, ticks=ticks)
    except clockreading.HostSuspended as error:
        raise Stop("untrusted", "host-suspended", str(error), "keep the machine awake, and run again") from None
    run.wait("measuring the mount's clock", run.seams.clock.monotonic() - before)
    return measure


def _patience(run: Run, readings: Readings) -> tuple[float, int]:
    """(seconds, ticks) for measuring the clock: longer where the receivers must be waited for all the same, and two
    ticks where it was measured since it was set. In a check what is asked again afterwards is among its two seconds."""
    now = run.seams.clock.monotonic()
    most_s = max((run.limit - now) / 6, 1.2)
    if run.clock.since is not None:
        return min(clockreading.SETTLED_S, most_s), 2
    if run.sources is not None and not run.sources.done and now - run.start < FREE_S:
        return min(clockreading.SETTLED_S, most_s), 4
    budget_s = _before_asking_again_s(run, readings) if run.verb == "check" else clockreading.CHECK_S
    return min(budget_s, most_s), 4


def _before_asking_again_s(run: Run, readings: Readings) -> float:
    """What is left of the two seconds for measuring where the questions after it take as long as those before it did;
    enough for a tick to be seen for certain."""
    assert run.talk is not None
    one_s = max(one.spread_s for one in readings.local) + ANSWER_BYTES * run.talk.link.byte_s
    return min(clockreading.CHECK_S, max(clockreading.CHECK_S - ASKED_AGAIN * one_s, 1.0 + 2 * one_s))


def gather_truth(run: Run) -> None:
    """Wait for the sources, and establish the truth and the offset that follows."""
    assert run.sources is not None
    clock = run.seams.clock
    limit = run.limit - min(RESERVE_S, run.config.policy.time_limit_s / 3)
    waited = run.sources.gather(clock, limit)
    run.truth = run.sources.truth(run.config)
    if run.truth.code == "sole-source-not-enough" and run.sources.ask_for_more():
        waited += run.sources.gather(clock, limit)
        run.truth = run.sources.truth(run.config)
    if run.sources.receivers:
        run.wait("consecutive epochs of the receivers", waited)
    host = run.sources.host
    if host.trouble:
        run.note(host.code, host.trouble)
    if host.code == "host-suspended":  # what was read before it and after it do not go together
        run.truth = replace(
            run.truth,
            established=False,
            time_established=False,
            code=host.code,
            why="; ".join(why for why in (host.trouble, run.truth.why) if why),
        )
    run.zone = zones.load_zone(run.config.site.timezone)
    utc = run.utc()
    if utc is None:
        return
    if run.truth.second_origins == {"gnss"}:
        run.note(
            "second-on-one-origin",
            "date and hour have a second voice, the second stands on GNSS alone: a receiver that lacks some leap "
            "seconds would be as much ahead unnoticed; a synchronised host clock would notice it",
        )
    utc = _past_a_change_of_offset(run, run.zone, utc)
    run.zone_offset_h = zones.offset_h(run.zone, utc)
    differing = zones.disagreement(run.config.site.timezone, utc)
    if differing:
        run.note("zone-databases-differ", differing)
    change = zones.next_change(run.zone, utc, within=dt.timedelta(days=1))
    if change is not None:
        run.note(
            "zone-changes-soon",
            f"the zone's offset changes from {change.offset_before_h:+g} to {change.offset_after_h:+g} h at "
            f"{change.instant:%Y-%m-%d %H:%M} UTC: set the mount again then",
        )


def _past_a_change_of_offset(run: Run, zone: zones.Zone, utc: dt.datetime) -> dt.datetime:
    """UTC after a change of the zone's offset that came while the mount was read, or that would come amid the writes:
    then the mount is read again. Raises Stop, TimeLimit, Unreachable."""
    assert run.sight is not None
    assert run.truth is not None
    read = unix_datetime(run.truth.utc_s(run.sight.readings.local[0].instant))
    horizon_s = WRITING_S + run.dialect.date.blocks_s if run.verb == "set" else 0.0
    change = zones.next_change(zone, read, within=utc - read + dt.timedelta(seconds=horizon_s))
    if change is None:
        return utc
    left_s = (change.instant - utc).total_seconds() + 0.5
    if left_s > 0:
        if run.limit - run.seams.clock.monotonic() < left_s + WRITING_S:
            raise Stop(
                "refused",
                "zone-changes-now",
                f"the zone's offset changes in {left_s:.0f} s; nothing was written",
                "run again after that",
            )
        run.pause_until(run.seams.clock.monotonic() + left_s, "the change of the zone's offset")
    look_at_mount(run)
    return unix_datetime(run.truth.utc_s(run.seams.clock.monotonic()))


def late_sidereal(run: Run) -> None:
    """Ask for the sidereal time once more, long after the first reading: it must have gone on."""
    assert run.talk is not None
    assert run.sight is not None
    with run.part(READING):
        last = run.talk.read_time("get-sidereal")
    readings = run.sight.readings
    readings = replace(readings, sidereal=(*readings.sidereal, last))
    run.sight = run.evidence.look(readings, run.sight.measure)


def conclude(run: Run) -> Decision:
    """Decide what the present sight means, and what of the settings written is right no longer."""
    decision = decide_anew(run)
    if decision.best is not None:
        run.confirmed -= set(decision.best.wrong)  # read back well at first, and gone since
    return decision


def decide_anew(run: Run) -> Decision:
    """Decide what the present sight means under every convention that survives."""
    assert run.sight is not None
    assert run.truth is not None
    if run.manner is None:
        run.manner = manner_from(run.sight.readings, run.dialect, run.auto)
    if run.zone is not None and run.truth.time_established:
        then = unix_datetime(run.truth.utc_s(run.sight.readings.local[-1].instant))
        run.zone_offset_h = zones.offset_h(run.zone, then)
    survivors = run.evidence.survivors if run.evidence.history else run.sight.conventions
    run.decision = decide(
        run.sight,
        survivors,
        run.truth,
        run.zone_offset_h,
        run.config,
        run.manner.written_half_deg if run.manner else HALF_MINUTE_DEG,
        run.evidence.declared,
    )
    return run.decision


def observations(run: Run) -> None:
    """Notes on what a user should know and no row tells."""
    assert run.sight is not None
    readings = run.sight.readings
    status = readings.status
    _product(run, readings.product)
    if readings.slewing is None:
        run.note("slewing-not-told", "the mount does not say whether it is slewing")
    if run.verb == "set" and status is not None and status[1] == "T":
        run.note(
            "mount-tracking", "the mount is tracking: its pointing and its tracking may jump when clock or place change"
        )
    best = run.decision.best if run.decision is not None else None
    if best is not None and best.on_utc:
        run.note("mount-on-utc", "the mount holds offset 0 with UTC as its local time, which serves as well")
    sign = latitude_sign(run.sight)
    if sign == "silent":
        run.note(
            "latitude-sign-not-proven", "the latitude's sign was read back; the sky the mount shows can't prove it"
        )
    if conventions.tolerance_s(readings).get("instants of the readings", 0.0) > 1.0:
        run.note("slow-answers", "the mount answers slowly: the sidereal proof is wider for it")
    for note in run.config.notes:
        run.note("configuration", note)


def _product(run: Run, product: bytes | None) -> None:
    """What the mount calls itself beside the patterns of dialects. It decides nothing: what a mount means, its sidereal
    clock tells."""
    if product is None:
        return
    if not run.auto:
        if run.dialect.fits_product(product) is False:
            run.note(
                "product-differs",
                f"the mount calls itself '{escape(product)}', which does not fit product_pattern of the dialect "
                f"{run.dialect.name!r}",
            )
        return
    fitting = [name for name, one in contributed().items() if one.fits_product(product)]
    if fitting:
        run.note("dialect-by-product", f"by what the mount calls itself it speaks the dialect {' or '.join(fitting)}")


def outcome_of_look(run: Run) -> Stop:
    """What a look alone comes to: the outcome of `check`."""
    assert run.sight is not None
    assert run.truth is not None
    assert run.decision is not None
    if not run.truth.established:
        return Stop(
            "untrusted",
            run.truth.code or "untrusted",
            f"the truth could not be established: {run.truth.why}",
            "see the claims; the mount was read and compared where that is possible",
        )
    decision = run.decision
    if decision.state == "none":
        code, words = sidereal_trouble(run.sight, run.evidence.declared)
        if code == "date-impossible":
            return Stop("discrepant", code, words, "noonmark set")
        if run.evidence.declared is not None:
            return Stop(
                "discrepant",
                code,
                f"under the dialect {run.dialect.name!r} the sidereal proof fails: {words}",
                'check the dialect, or use dialect = "auto"',
            )
        return Stop(
            "refused",
            code,
            f"the mount's signs can't be found out: {words}",
            "give the dialect, if it is known; `set` may still bring the clock to follow",
        )
    assert decision.best is not None
    if decision.state == "ambiguous":
        if run.evidence.declared is not None:
            told = "these values agree under another convention too"
        else:
            told = "what the mount shows is right under one convention and wrong under another, and both fit"
        return Stop(
            "refused",
            "signs-ambiguous",
            f"{told}: its sidereal clock can't tell them apart here",
            "run `set`: it tells them apart by writing in stages",
        )
    if latitude_sign(run.sight) == "contradicted":
        return Stop(
            "discrepant",
            "latitude-sign-contradicted",
            "the altitude that the mount shows fits the opposite latitude",
            "check the mount's hemisphere setting",
        )
    if run.sight.measure.fault is not None and decision.state == "right":
        return Stop("discrepant", "clock-uneven", f"the mount's clock can't be trusted: {run.sight.measure.fault}")
    if decision.state == "wrong":
        wrong = decision.best.wrong
        if (error := decision.best.only_unbounded) is not None:
            return Stop(
                "discrepant",
                "clock-not-bounded",
                f"nothing is seen to be wrong, but the clock is not known to be within policy.clock_tolerance_s = "
                f"{run.config.policy.clock_tolerance_s:g} s: its error is anything from {error[0]:+.3f} to "
                f"{error[1]:+.3f} s",
                "check without --quick; a latency_s larger than the receiver needs widens it too",
            )
        return Stop(
            "discrepant",
            "settings-differ",
            "the mount does not agree with the truth: " + ", ".join(wrong),
            "noonmark set",
        )
    if _offset_has_changed(run):
        return Stop(
            "discrepant",
            "zone-changed",
            "the zone's offset has just changed: the mount has the one before",
            "run `set` again",
        )
    return Stop(
        "confirmed", "confirmed", "place, date, time and offset are right, and the mount's own sidereal clock proves it"
    )


def _offset_has_changed(run: Run) -> bool:
    """Whether the zone changed since the last look, where the mount is on the zone's time."""
    assert run.decision is not None
    utc = run.utc()
    best = run.decision.best
    if run.zone is None or utc is None or best is None or best.on_utc or best.hypothesis.convention.local_is_utc:
        return False
    return zones.offset_h(run.zone, utc) != run.zone_offset_h


def refuse_if_unsafe(run: Run) -> None:
    """What forbids writing. Raises Stop."""
    assert run.sight is not None
    assert run.truth is not None
    if not run.truth.established:
        raise outcome_of_look(run)
    if run.sight.readings.slewing:
        raise _slewing()
    if contradicted(run):
        raise outcome_of_look(run)


def contradicted(run: Run) -> bool:
    """Whether the mount's own sky contradicts the dialect given: what is written in that would point it elsewhere.
    Where that sky is renewed at setting the time only, it says nothing yet."""
    assert run.sight is not None
    assert run.decision is not None
    stale = run.dialect.clock.sidereal_renewed == "at-set-time"
    return run.evidence.declared is not None and run.decision.state == "none" and bool(run.sight.fitting) and not stale


def refuse_if_slewing_now(run: Run) -> None:
    """Asked once more just before the first write: gathering the truth took its time. Raises Stop."""
    assert run.talk is not None
    with run.part(READING):
        slewing = run.talk.read_slewing()
    if slewing:
        raise _slewing()


def _slewing() -> Stop:
    return Stop(
        "refused",
        "mount-slewing",
        "the mount is slewing; nothing was written",
        "wait until it is at rest, then run again",
    )


def truth_still_stands(run: Run) -> None:
    """After the writes: the truth must not have been overturned meanwhile. Raises Stop."""
    assert run.sources is not None
    assert run.truth is not None
    for one in run.sources.receivers:
        one.drain()
        jumped = one.jumped()
        if jumped:
            raise _overturned(run, run.truth, "receiver-time-jumps", jumped)
    trouble = run.sources.host.recheck()
    if trouble:
        run.note(run.sources.host.code, trouble)
        later = run.sources.truth(run.config)
        asleep = run.sources.host.code == "host-suspended"  # the monotonic clock, on which all stands, did not go on
        if asleep or not later.time_established:
            raise _overturned(run, later, run.sources.host.code, trouble)
        run.truth = later  # without this host's word
        conclude(run)


def _overturned(run: Run, truth: Truth, code: str, why: str) -> Stop:
    """The truth did not last: what was judged by it is judged no longer, nor is an error of the clock stated by it."""
    run.truth = replace(truth, established=False, time_established=False, code=code, why=why)
    conclude(run)
    return Stop("incomplete", code, f"the truth did not last: {why}", "run again")
