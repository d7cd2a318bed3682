"""The stages of `check`, `set` and `restore`, and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from noonmark.driver import looking, record
from noonmark.driver.config import Config, check_zone
from noonmark.driver.conventions import ALL
from noonmark.driver.dialects import AUTO, resolve
from noonmark.driver.interrupts import Interrupted
from noonmark.driver.mount import TimeLimit, Unreachable
from noonmark.driver.proof import CLOCK_DOES_NOT_FOLLOW, Evidence
from noonmark.driver.reasons import explaining
from noonmark.driver.record import Record, RecordError
from noonmark.driver.result import Result
from noonmark.driver.run import Run, Stop, Verb, allowed_conventions
from noonmark.driver.seams import Seams, seams_for
from noonmark.protocols.dialect import USUAL
from noonmark.protocols.seams import LinkError


def check(config: Config, *, seams: Seams | None = None, quick: bool = False) -> Result:
    """Read everything, compare, explain. Writes nothing to the mount.

    config: as from `load_config`. seams: time and bytes, the real ones (or the simulator's, for a `sim:` address)
    by default. quick: leave out the measuring of the clock between its ticks. Never raises for what a mount, a
    line or a source does: the result tells. Raises ConfigError for a zone or a dialect that doesn't exist.
    """

    def body(run: Run) -> Stop:
        _look(run, reads_only=True, quick=quick)
        looking.observations(run)
        _explain(run)
        return looking.outcome_of_look(run)

    return _execute(config, "check", seams, body)


def set_mount(config: Config, *, dry_run: bool = False, seams: Seams | None = None) -> Result:
    """Check, write what differs, read back, prove. With `dry_run` nothing is written, `planned` tells what would
    be, and the result is that of `check`. Otherwise as `check`."""

    def body(run: Run) -> Stop:
        _look(run, reads_only=dry_run)
        looking.observations(run)
        _explain(run)
        if dry_run:
            if run.truth is not None and run.truth.established and not looking.contradicted(run):
                from noonmark.driver import planning

                run.planned = planning.plan(run)
            return looking.outcome_of_look(run)
        return _write(run)

    return _execute(config, "set", seams, body)


def restore(config: Config, record_path: str | Path | None = None, *, seams: Seams | None = None) -> Result:
    """Put the settings of an earlier record back: `record_path`, or the newest `set` on this port.

    `confirmed` means here that every setting was read back as the record has it; it says nothing of the sky.
    """

    def body(run: Run) -> Stop:
        from noonmark.driver import restoring

        return restoring.restore(run, Path(record_path) if record_path is not None else None)

    return _execute(config, "restore", seams, body)


# --- stages -----------------------------------------------------------------------------------------


def _look(run: Run, *, reads_only: bool, quick: bool = False) -> None:
    folder = record.folder_of(run.config)
    looking.open_all(run, record.newest_utc_s(folder), reads_only=reads_only)
    looking.look_at_mount(run, quick=quick)
    looking.gather_truth(run)
    looking.late_sidereal(run)
    assert run.sight is not None
    run.evidence.add(run.sight, fresh=False)
    looking.conclude(run)


def _explain(run: Run) -> None:
    run.explanation = explaining.explain(run)


def _write(run: Run) -> Stop:
    # what writes is loaded when something is to be written: a check starts sooner
    from noonmark.driver import planning, setting

    looking.refuse_if_unsafe(run)
    names = planning.names_to_write(run)
    assert run.decision is not None
    if run.decision.state == "right" and not names:
        return looking.outcome_of_look(run)  # and nothing more is asked, lest an answer go unjudged
    looking.refuse_if_slewing_now(run)
    run.planned = planning.plan(run)
    _first_stage(run)
    assert run.sight is not None
    before = run.sight.readings
    setter = setting.Setter(run)
    setter.bring_right()
    looking.truth_still_stands(run)
    run.confirmed = _confirmed_rows(run)
    _compare_state(run, before.status)
    looking.observations(run)
    final = looking.outcome_of_look(run)
    if final.outcome == "confirmed":
        return Stop("confirmed", "confirmed", "written, read back, and proven by the mount's own sidereal clock")
    return Stop("incomplete", final.code, final.reason, final.remedy)


def _first_stage(run: Run) -> None:
    """The record with the earlier settings, on disk before the first write. Raises Stop where it can't be."""
    from noonmark.driver import restoring

    restoring.keep_earlier(run, planned=[one.model_dump() for one in run.planned])


def _confirmed_rows(run: Run) -> set[str]:
    best = run.decision.best if run.decision is not None else None
    return {row.name for row in best.rows if row.ok} if best is not None else set()


def _compare_state(run: Run, before: tuple[str, str, str] | None) -> None:
    """Tracking and alignment before and after: some mounts start the one or drop the other when the time is set."""
    assert run.sight is not None
    after = run.sight.readings.status
    if before is None or after is None or before == after:
        return
    if before[1] != after[1]:
        run.note("tracking-changed", f"tracking was {before[1]!r} and is {after[1]!r} after the writes")
    if before[2] != after[2]:
        run.note(
            "alignment-changed", f"the alignment was {before[2]!r} and is {after[2]!r} after the writes: align again"
        )
    if before[0] != after[0]:
        run.note("kind-changed", f"the kind of mount was {before[0]!r} and is {after[0]!r} after the writes")


# --- around every run -------------------------------------------------------------------------------


def _execute(config: Config, verb: Verb, seams: Seams | None, body: Callable[[Run], Stop]) -> Result:
    check_zone(config)
    auto = config.mount.dialect == AUTO
    dialect = USUAL if auto else resolve(config.mount.dialect, Path(config.path).parent if config.path else None)
    seams = seams_for(config) if seams is None else seams
    allowed, declared = allowed_conventions(dialect, auto)
    run = Run(
        config,
        seams,
        verb,
        dialect,
        auto,
        seams.clock.monotonic(),
        seams.clock.utc_ns() / 1e9,
        Evidence(allowed if not auto else ALL, declared),
    )
    run.record = record.new_record(
        record.folder_of(config),
        verb,
        run.started_utc_s,
        {"port": config.mount.port, "dialect": config.mount.dialect, "started_host_utc_s": run.started_utc_s},
    )
    exit_status: int | None = None
    try:
        try:
            stop = body(run)
        except Stop as reached:
            stop = reached
        except (LinkError, Unreachable) as error:
            stop = Stop("unreachable", error.code, str(error), error.remedy)
        except RecordError as error:
            stop = Stop("refused", error.code, str(error), "name a record, or see the records folder")
        except TimeLimit:
            stop = Stop(
                "unreachable",
                "time-limit",
                f"not done within policy.time_limit_s = {config.policy.time_limit_s:g} s",
                "see what the mount and the sources did; raise the limit if they are merely slow",
            )
        except Interrupted as error:
            exit_status = error.exit_status
            written = "run again, or: noonmark restore" if run.attempts else "run again; nothing was written"
            stop = Stop("incomplete", "interrupted", str(error), written)
    finally:
        _let_go(run)
    stop = _after_writing(run, stop)
    return _finish(run, stop, exit_status)


def _let_go(run: Run) -> None:
    if run.talk is not None:
        run.talk.link.close()
    if run.sources is not None:
        run.sources.close()


def _after_writing(run: Run, stop: Stop) -> Stop:
    """Once writing began, only `confirmed`, a verified refusal and what was finished but can't be proven keep their
    name; all else is `incomplete`."""
    if not run.attempts or stop.outcome in ("confirmed", "incomplete"):
        return stop
    if stop.outcome == "discrepant" and stop.code in CLOCK_DOES_NOT_FOLLOW and set(run.attempts) <= run.standing():
        return stop
    if stop.outcome == "refused" and stop.code == "mount-refuses-settings":
        run.attempts.clear()
        return stop
    return Stop(
        "incomplete",
        stop.code,
        f"writing began and could not be finished: {stop.reason}",
        stop.remedy or "run again, or: noonmark restore",
    )


def _finish(run: Run, stop: Stop, exit_status: int | None) -> Result:
    outcome = stop.outcome
    interrupted_early = exit_status is not None and not run.attempts
    result = run.result(
        None if interrupted_early else outcome, stop.code, stop.reason, stop.remedy, exit_status=exit_status
    )
    assert run.record is not None
    data: Record = run.record
    if run.truth is not None and run.truth.established:
        data.data["utc_s"] = run.truth.utc_s(run.start)
    data.data["attempts"] = run.attempts
    try:
        if run.attempts:
            data.data["result"] = result.model_dump(mode="json", by_alias=True)
            data.save("written")
        result = result.model_copy(update={"record": str(data.path)})
        data.data["result"] = result.model_dump(mode="json", by_alias=True)
        data.save("finished")
        record.prune(data.path.parent, data.path)
    except RecordError as error:
        run.note("record-not-written", str(error))
        record_path = str(data.path) if data.on_disk else None
        result = result.model_copy(update={"notes": tuple(run.notes), "record": record_path})
    return result
