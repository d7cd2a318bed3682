"""The judgement of one verb: what the driver says beside what is hidden inside the mount."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from noonmark.driver.result import Result
from noonmark.sim.faults import FAULTS
from noonmark.sim.state import Change, HiddenState
from support.campaign_cases import Case, zone_offset_h
from support.judging import MINUTE_DEG, sidereal_h

if TYPE_CHECKING:
    from support.campaign_run import Bench, Told

LATENCY_S = 0.9
KEPT_S = 0.02  # the bound of a host's clock that is kept
UNBOUNDED_S = 0.4  # what is assumed of a host's clock whose own bound is 0
DRIFTING_S = 10.0  # from the measuring of a clock to its last reading
DECLARED_PPM = 5500.0  # up to this rate the driver states its interval
SLOW_S = 0.3
SLACK_S = 1.0  # beyond the time limit: closing, and an exchange that had begun
PLACE_DEG = 1.55 * MINUTE_DEG  # shown to the minute, cut off or rounded, and written to the minute
NAMES = ("longitude", "latitude", "offset", "date", "time")
QUESTIONS = {"longitude": b"Gg", "latitude": b"Gt", "offset": b"GG", "date": b"GC", "time": b"GL"}
LEAP_S = 18.0  # GPS - UTC (IERS Bulletin C 52)
LIES_OF_THE_SECOND = {
    "leap-missing",
    "labels-next-second",
    "time-jumps",
    "lateness-wanders",
    "rollover",
    "no-fix",
    "five-hertz",
}
LINE_DAMAGE = {"drops-heard", "flips-heard", "drops-bytes", "doubles-bytes", "wrong-baud", "other-program"}
CHANGE_SETTINGS = {"forgets", "resets-to-factory", "overwritten", "switches-memory", "turns-offset"}
NOTHING_WRITTEN = ("discrepant", "untrusted", "unreachable", "refused")
PROVES_NOTHING = ("sidereal-clock-independent", "sidereal-clock-imprecise")


def judge(
    one: Bench, told: Told, result: Result, accepted: list[Change], host_error_s: float, before: HiddenState | None
) -> None:
    """Add what is untrue. accepted: the settings that the mount took during this verb. host_error_s: at its start.
    before: the mount's inside before the `set` that a `restore` undoes."""
    fail = told.failures.append
    limit_s = one.config.policy.time_limit_s
    if told.duration_s > limit_s + SLACK_S:
        fail(("hang", f"{told.verb} took {told.duration_s:.1f} s of {limit_s:g} s"))
    if one.mount.forbidden and not {draw.name for draw in one.case.faults} & LINE_DAMAGE:
        fail(("forbidden", f"{told.verb} made the mount hear {list(one.mount.forbidden)[:3]}"))
    _claims(one, told, result, accepted)
    if told.outcome == "confirmed":
        if told.verb == "restore":
            _restored(one, told, before)
        else:
            _confirmed(one, told, result, host_error_s)
    _allowed(one.case, told, first=one.passed == 0)


# --- `confirmed` ------------------------------------------------------------------------------------


def _confirmed(one: Bench, told: Told, result: Result, host_error_s: float) -> None:
    lie_s = _lie_s(result, host_error_s)
    told.deceived, one.lie_s = lie_s > 0.0, lie_s
    if told.deceived and not _may_be_deceived(one.case, lie_s):
        told.failures.append(("false-truth", f"the UTC held true is not the true one: {result.truth}"))
        return
    clock_s = one.config.policy.clock_tolerance_s + lie_s
    now = one.clock.monotonic()
    clock_s += DRIFTING_S * 1e-6 * abs(one.mount.state.drift_ppm) if one.mount.state.drift_ppm > -1e6 else 0.0
    if abs(one.mount.state.drift_ppm) > DECLARED_PPM and one.mount.quirks.lag_before_s[1] > SLOW_S:
        # outside what the interval is stated for, and too slow in answering for that to be noticed within a run
        clock_s += told.duration_s * 1e-6 * abs(one.mount.state.drift_ppm)
    if told.verb == "check" and (one.mount.quirks.sidereal == "own-clock" or _sidereal_is_stale(one)):
        told.deceived = True  # a sidereal clock of its own that happens to be right can't be told from one that follows
        return
    at_the_end = wrong_items(one, one.mount.truth(now), now, clock_s)
    if not at_the_end:
        return
    when_read = {
        item: words
        for item, question in {**QUESTIONS, "sidereal": b"GS"}.items()
        for words in [_at_its_reading(one, item, question, clock_s)]
        if words
    }
    if when_read or set(at_the_end) == {"pole"}:
        words = "; ".join((when_read or at_the_end).values())
        told.failures.append(("false-confirmed", f"{told.verb}: {words}"))
    else:
        told.overtaken = True


def _at_its_reading(one: Bench, item: str, question: bytes, clock_s: float) -> str:
    seen = one.recorder.seen.get(question)
    if seen is None:
        return f"{item} was never read"
    if item == "time":  # by itself: the offset that UTC follows with has its own reading
        return _local_wrong(one, *seen, clock_s)
    if item == "date":  # a time of day that jumps within its day does not show there
        return _date_wrong(one, *seen, clock_s)
    return wrong_items(one, seen[1], seen[0], clock_s).get(item, "")


def _local_wrong(one: Bench, at: float, inside: HiddenState, clock_s: float) -> str:
    true_s = one.clock.true_utc_at(at)
    utc = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=true_s)
    local_s = inside.local.replace(tzinfo=dt.UTC).timestamp()
    offsets_h = (0.0, *_zone_offsets_h(one, utc))
    error_s = min((local_s - true_s - offset_h * 3600.0 for offset_h in offsets_h), key=abs)
    return f"local time off by {error_s:+.2f} s" if abs(error_s) > clock_s + _display_s(one) else ""


def _date_wrong(one: Bench, at: float, inside: HiddenState, clock_s: float) -> str:
    true_s, may_be_s = one.clock.true_utc_at(at), clock_s + _display_s(one)
    utc = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=true_s)
    right = {
        (utc + dt.timedelta(hours=offset_h, seconds=off_s)).date()
        for offset_h in (0.0, *_zone_offsets_h(one, utc)) for off_s in (-may_be_s, may_be_s)
    }  # fmt: skip
    return "" if inside.local.date() in right else f"local date {inside.local.date()}"


def _zone_offsets_h(one: Bench, utc: dt.datetime) -> tuple[float, ...]:
    """What the zone has, and where the sources deceive, what it has at the instants that may be taken for this one."""
    lie = dt.timedelta(seconds=one.lie_s)
    return tuple(zone_offset_h(one.case.site["timezone"], utc + shift) for shift in (dt.timedelta(), lie, -lie))


def _display_s(one: Bench) -> float:
    """What can't be seen of a display that is late by a constant, as the result says among its assumptions."""
    quirks = one.mount.quirks
    return (0.5 if one.dialect.clock.display_rounds else 0.0) + quirks.display_every_s + quirks.uneven_s


def wrong_items(one: Bench, inside: HiddenState, at: float, clock_s: float) -> dict[str, str]:
    """What is wrong inside at an instant, by the setting that it is about."""
    site = one.case.site
    true_s = one.clock.true_utc_at(at)
    true = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=true_s)
    shown_s = _display_s(one)
    found: dict[str, str] = {}
    if abs(inside.utc_error_s) > clock_s + shown_s:
        found["time"] = f"UTC off by {inside.utc_error_s:+.2f} s"
    if abs(inside.latitude_deg - site["latitude_deg"]) > PLACE_DEG:
        found["latitude"] = f"latitude {inside.latitude_deg:+.3f}"
    if abs((inside.longitude_deg - site["longitude_deg"] + 180) % 360 - 180) > PLACE_DEG:
        found["longitude"] = f"longitude {inside.longitude_deg:+.3f}"
    # its place (6.2 s), its clock, mean or apparent (1.2 s), its formula (1.0 s), UT1-UTC (0.2 s), the display (1 s)
    sky_s = ((inside.sidereal_h - sidereal_h(true, site["longitude_deg"]) + 12) % 24 - 12) * 3600
    if abs(sky_s) > 240 * PLACE_DEG + 1.0028 * clock_s + shown_s + 3.4:
        found["sidereal"] = f"its own sidereal time off by {sky_s:+.1f} s"
    if abs(inside.pole_altitude_deg - site["latitude_deg"]) > PLACE_DEG:
        found["pole"] = f"pole at {inside.pole_altitude_deg:+.2f} deg"
    civil_h = inside.offset_h + inside.daylight_h
    zones_h = _zone_offsets_h(one, true)
    if not one.dialect.clock.local_is_utc and all(abs(civil_h - right_h) > 1e-6 for right_h in (0.0, *zones_h)):
        found["offset"] = f"local minus UTC {civil_h:+.2f} h, and the zone has {zones_h[0]:+.2f}"
    return found


def _sidereal_is_stale(one: Bench) -> bool:
    """Whether the sidereal clock is renewed at setting the time only, and a setting was changed by another hand since."""
    changed = {draw.name for draw in one.case.faults} & CHANGE_SETTINGS
    return one.dialect.clock.sidereal_renewed == "at-set-time" and bool(changed)


def _lie_s(result: Result, host_error_s: float) -> float:
    """By how much the interval held true misses true UTC, seconds."""
    assert result.truth is not None
    assert result.truth.utc_interval_s is not None
    low, high = result.truth.utc_interval_s
    return max(0.0, low + host_error_s - 1e-3, -host_error_s - high - 1e-3)


def _may_be_deceived(case: Case, lie_s: float) -> bool:
    """Whether no rule of the policy can find it out: no source that knows the second is right; or one beside a lie that
    still touches its interval, so that what is common to both lies within it, and yet beside the truth."""
    host = case.host
    stepped = any(event[1] == "step" for event in host.get("events", ()))
    right_within_s = {"kept": KEPT_S, "unbounded": UNBOUNDED_S}.get(host["discipline"])
    if abs(host.get("error_s", 0.0)) > UNBOUNDED_S or stepped:
        right_within_s = None  # no longer what the system says of it
    lying = [
        any(spec.partition(":")[0] in LIES_OF_THE_SECOND for spec in one.get("faults", ())) for one in case.receivers
    ]
    if right_within_s is not None:
        return any(lying) and lie_s <= 2 * right_within_s
    seen = host["discipline"] in ("free", "unknown") and not stepped and abs(host.get("error_s", 0.0)) < 0.5
    if seen and abs(lie_s - LEAP_S) < 1.0:
        return False  # nobody keeps it, and yet it is so near that the receiver is seen to lack its leap seconds
    return all(lying) or ((any(lying) or stepped) and lie_s < LATENCY_S)


# --- claims of what was written ---------------------------------------------------------------------


def _claims(one: Bench, told: Told, result: Result, accepted: list[Change]) -> None:
    fail = told.failures.append
    taken = {change.name for change in accepted}
    groups = [set(result.written), set(result.unconfirmed), set(result.untouched)]
    if sorted(name for group in groups for name in group) != sorted(NAMES):
        fail(("claims", f"{told.verb}: each setting once, not {groups}"))
    if taken & groups[2]:
        fail(("claims", f"{told.verb}: {sorted(taken & groups[2])} said untouched, and the mount took it"))
    # under a dialect given, a set whose every write was read back and that no sky can prove is `discrepant`
    unproven = told.outcome == "discrepant" and told.code in PROVES_NOTHING and not groups[1]
    if told.outcome in NOTHING_WRITTEN and accepted and not (unproven and one.case.told != "auto"):
        fail(("claims", f"{told.verb}: {told.outcome} {told.code}, and yet {sorted(taken)} was written"))
    if told.verb == "check" and (accepted or groups[0] | groups[1]):
        fail(("claims", f"check wrote {sorted(taken)}"))
    for name in result.written:
        words = _not_as_written(one, told, name, accepted)
        if words:
            fail(("claims", f"{told.verb}: {name} said written and read back, {words}"))


def _not_as_written(one: Bench, told: Told, name: str, accepted: list[Change]) -> str:
    """Whether the mount's inside, when it last told this setting, was not as the last accepted writing left it."""
    changes = [change for change in accepted if change.name == name]
    names = {draw.name for draw in one.case.faults}
    seen = one.recorder.seen.get(QUESTIONS[name])
    if not changes:  # it may have stood there before, and a mount that says nothing of a writing does not tell
        if name == "offset" and ("automatic_daylight" in one.case.quirks or "turns-offset" in names):
            return ""  # what it has beyond what it shows, or means by it, is not in what was written
        if seen is not None and _mirrored(one, name, seen[1]):
            return ""  # in the other sign it is what was to be there, and no sky told which sign it is
        wrong = seen is None or name in wrong_items(one, seen[1], seen[0], one.config.policy.clock_tolerance_s)
        return "and the mount took none" if wrong and told.verb != "restore" and one.case.told != "usual" else ""
    last = changes[-1]
    if seen is None or seen[0] < last.instant:  # its answer came damaged, and can be the right one all the same
        seen = one.recorder.carried_out.get(QUESTIONS[name])
    if seen is None or seen[0] < last.instant:
        return "and it was not read after that"
    inside, elapsed_s = seen[1], seen[0] - last.instant
    if name in ("date", "time"):
        if told.outcome == "confirmed" and told.verb != "restore":
            return ""  # it is right, as is judged elsewhere, even where another hand had a part in it
        if any(change.instant > last.instant and change.name in ("date", "time", "offset") for change in accepted):
            return ""  # what came after it moved the clock too
        local_s = inside.local.replace(tzinfo=dt.UTC).timestamp()
        gap_s = local_s - last.after - elapsed_s
        # a drifting clock and a machine that slept are judged elsewhere
        slept = any(event[1] == "sleep" for event in one.case.host.get("events", ()))
        if name == "time" or one.dialect.clock.display_hours == 12:  # of the day, or half of it, it never tells
            half_s = 1800.0 * one.dialect.clock.display_hours
            gap_s = (gap_s + half_s) % (2 * half_s) - half_s
        most_s = 3.5 + 0.06 * elapsed_s if name == "time" else 43200.0
        return f"and its clock moved by {gap_s:+.1f} s since" if abs(gap_s) > most_s and not slept else ""
    clock_s = one.config.policy.clock_tolerance_s
    if told.verb != "restore" and name not in wrong_items(one, inside, seen[0], clock_s):
        return ""  # what stands there is right, even where another hand put it back
    if told.verb != "restore" and _mirrored(one, name, inside):
        return ""  # and so is it in the other sign, where no sky told which sign it is
    value = {"longitude": inside.longitude_deg, "latitude": inside.latitude_deg, "offset": inside.offset_h}[name]
    gap = (value - last.after + 180) % 360 - 180
    if name == "offset" and "turns-offset" in names:
        gap = abs(value) - abs(last.after)  # what it shows is the same, and what it means another
    least = 1e-6 if name == "offset" else PLACE_DEG  # what is lost in showing it
    return f"and it held {value:+.3f} in place of {last.after:+.3f}" if abs(gap) > least else ""


def _mirrored(one: Bench, name: str, inside: HiddenState) -> bool:
    """Whether longitude or offset would be right if it were counted the other way."""
    if name == "longitude":
        return bool(abs((inside.longitude_deg + one.case.site["longitude_deg"] + 180) % 360 - 180) <= PLACE_DEG)
    utc = inside.utc - dt.timedelta(seconds=inside.utc_error_s)
    return name == "offset" and abs(inside.offset_h + zone_offset_h(one.case.site["timezone"], utc)) < 1e-6


# --- `restore` --------------------------------------------------------------------------------------


def _restored(one: Bench, told: Told, before: HiddenState | None) -> None:
    """After a restore that says `confirmed` the inside is as it was before the `set`, where that was read rightly."""
    if before is None or any(FAULTS[draw.name].kind != "receiver" for draw in one.case.faults):
        return  # what it read as the earlier settings may have been damaged on the way, and what it held moved by a fault
    seen = {name: one.recorder.seen[question][1] for name, question in QUESTIONS.items()}
    gaps = {
        "latitude": (before.latitude_deg, seen["latitude"].latitude_deg, 1.01 * MINUTE_DEG),
        "longitude": (before.longitude_deg, seen["longitude"].longitude_deg, 1.01 * MINUTE_DEG),
        "offset": (before.offset_h, seen["offset"].offset_h, 0.99),  # hidden quarter hours, where whole hours are shown
    }
    wrong = {name: (was, now) for name, (was, now, most) in gaps.items() if abs((now - was + 180) % 360 - 180) > most}
    if wrong:
        told.failures.append(("restore", f"restore: not as before: {wrong}"))


# --- what a fault's row allows ----------------------------------------------------------------------


def _allowed(case: Case, told: Told, *, first: bool) -> None:
    if case.kind != "plain" or not first:
        return
    if told.code == "signs-ambiguous" and told.verb == "check":
        return  # true at some places whatever the fault: both signs reversed imitate the right ones there
    if not 0.02 < abs(case.site["latitude_deg"]) < 85 and told.code == "confirmed":
        return  # the other hemisphere, and 3 km east, are near there
    if told.code == "time-limit" and case.dialect.get("date", {}).get("blocks_s", 0.0) > 10.0:
        return  # a date that blocks for half a minute, written twice
    if told.code in ("zone-changes-now", "zone-changed") or (told.verb == "check" and _zone_changed(case, told)):
        return
    names = [draw.name for draw in case.all_faults]
    allowed = FAULTS[names[0]].allowed if names else ("confirmed", "refused")
    if told.verb == "check" and "incomplete" in allowed:
        allowed = (*allowed, "discrepant", "refused")
    if told.outcome and told.outcome not in allowed:
        told.failures.append(("not-allowed", f"{told.verb} under {names or 'no fault'}: {told.outcome} {told.code}"))


def _zone_changed(case: Case, told: Told) -> bool:
    began = dt.datetime.fromisoformat(case.utc)
    ended = began + dt.timedelta(seconds=told.duration_s)
    return zone_offset_h(case.site["timezone"], began) != zone_offset_h(case.site["timezone"], ended)
