"""What is to be written, and in which form: the plan that a record keeps and `--dry-run` prints."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from noonmark.driver.comparison import unix_datetime
from noonmark.driver.result import Planned
from noonmark.driver.run import Run
from noonmark.driver.writing import Target, date_forms, latitude_forms, longitude_forms, offset_forms, site_target
from noonmark.protocols import lx


def names_to_write(run: Run) -> list[str]:
    """Which settings differ under the preferred convention; the time goes with anything else."""
    assert run.decision is not None
    best = run.decision.best
    order: list[str] = list(run.dialect.write_order)
    if best is None or run.decision.state == "none":
        return order
    wrong = set(best.wrong) - {"sidereal"}
    if clock_needs_rewriting(run):
        wrong.add("time")
    if not wrong and not best.right:
        wrong = set(order)  # all read right, yet the sidereal clock disagrees: write it all, the time renews it
    if wrong:
        wrong.add("time")
    return [name for name in order if name in wrong]


def clock_needs_rewriting(run: Run) -> bool:
    """Whether the clock's error is certainly beyond `clock_rewrite_s`, or not certainly within the tolerance."""
    assert run.decision is not None
    best = run.decision.best
    if best is None or best.clock_error_s is None:
        return True
    low, high = best.clock_error_s
    rewrite = run.config.policy.clock_rewrite_s
    if run.clock.phase == "kept":
        rewrite = max(rewrite, 0.5)  # whole seconds can't bring it nearer
    row = next((one for one in best.rows if one.name == "time"), None)
    return low > rewrite or high < -rewrite or row is None or not row.ok


def stays_on_utc(run: Run) -> bool:
    """Whether the mount holds offset 0 with UTC as its local time, which serves: what else is written keeps to that."""
    assert run.decision is not None
    best = run.decision.best
    return run.decision.state != "none" and best is not None and best.on_utc


def plan(run: Run) -> list[Planned]:
    """The writes that would be sent, in their first form."""
    assert run.manner is not None
    assert run.zone_offset_h is not None
    names = names_to_write(run)
    convention = run.evidence.preferred()
    target = site_target(convention, run.config.site, 0.0 if stays_on_utc(run) else run.zone_offset_h)
    forms = offset_forms(target, run.manner)
    if not forms:
        target = replace(target, offset_h=0.0)
        forms = offset_forms(target, run.manner)
        names = [name for name in run.dialect.write_order if name in {*names, "offset", "date", "time"}]
    local = local_time(run, target)
    arguments = {
        "longitude": longitude_forms(target, run.manner),
        "latitude": latitude_forms(target, run.manner),
        "offset": forms,
        "date": date_forms(local.date(), convention, run.manner),
        "time": [lx.time_argument(local.hour * 3600 + local.minute * 60 + local.second)],
    }
    planned = []
    for name in names:
        if arguments[name]:
            request = lx.SETTERS[name].request(arguments[name][0])
            planned.append(
                Planned(name=name, bytes=request.hex(), text=request.decode("latin-1").replace("\xdf", "\\xdf"))
            )
    return planned


def local_time(run: Run, target: Target) -> dt.datetime:
    """Local civil time now, as the target's offset has it, the mount's own daylight hour absorbed by the offset."""
    assert run.truth is not None
    return unix_datetime(run.truth.utc_s(run.seams.clock.monotonic()) + target.offset_h * 3600.0)


def second_of_day(time: dt.datetime) -> float:
    """Seconds since midnight."""
    return time.hour * 3600 + time.minute * 60 + time.second + time.microsecond / 1e6
