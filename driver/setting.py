"""The stages that write: passes of writing and reading back, in stages where the signs are still open.

A pass writes what differs, place first and time last, then reads everything. What is open is asked again after
each pass, since other values tell other conventions apart. Three passes at most.
"""

from __future__ import annotations

from dataclasses import replace

from noonmark.driver import clockset
from noonmark.driver.conventions import Convention
from noonmark.driver.looking import conclude, look_at_mount
from noonmark.driver.planning import local_time, names_to_write, second_of_day, stays_on_utc
from noonmark.driver.proof import CLOCK_DOES_NOT_FOLLOW, sidereal_trouble
from noonmark.driver.record import RecordError
from noonmark.driver.run import Run, Stop
from noonmark.driver.ticking import timescales
from noonmark.driver.writing import (
    Target,
    Told,
    Writer,
    goes_on_from,
    latitude_forms,
    longitude_forms,
    longitude_there,
    no_longer_there,
    offset_forms,
    reading_back,
    shown_as,
    site_target,
    write_date,
    write_longitude,
)
from noonmark.protocols import lx
from noonmark.protocols.sexagesimal import wrap_signed

PASSES = 3
SECOND_LOOK_S = 5.0
PROBE_DEG = 60.0
PROBE_OFFSET_H = 3.0
MIDNIGHT_S = 40.0
HALF_DAY_S = 60.0  # a clock so near to half a day off is off by just that
STILL_S = 1.5  # a clock that moved by less between two looks was not set


class Setter:
    """Writes until the mount is right and proven, or says why not."""

    def __init__(self, run: Run) -> None:
        assert run.talk is not None
        assert run.manner is not None
        assert run.truth is not None
        assert run.zone_offset_h is not None
        assert run.sight is not None
        self.run = run
        self.before = run.sight
        self.talk = run.talk
        self.manner = run.manner
        self.truth = run.truth
        self.zone_offset_h = run.zone_offset_h
        self.writer = Writer(run.talk, run.attempted)
        self.on_utc = stays_on_utc(run)
        self.told: dict[str, Told] = {}
        self.last_write = run.seams.clock.monotonic()
        self.order_refused: set[str] = set()
        self.troubles_before = len(run.talk.troubles)
        self.measured: clockset.ClockMeasure | None = None  # the clock, after the last write
        self.sent_at: float | None = None  # when the last write was the time
        self.contradictions = 0  # how often other signs fitted after a write than before it
        self.precise = True  # whether the clock is brought right, or only set for the signs to be told apart

    # --- one pass ---------------------------------------------------------------------------------

    def write(self, names: list[str], target: Target) -> Target:
        """Write the named settings of a target, in order, each read back at once; the time last. Returns what was
        written: with offset 0 where the zone's can't be held."""
        with self.run.part("writing the settings"):
            return self._write_in_order(names, target)

    def _write_in_order(self, names: list[str], target: Target) -> Target:
        if self.talk.read_slewing():
            raise Stop(
                "refused",
                "mount-slewing",
                "the mount began to slew; nothing more is written",
                "wait until it is at rest, then run again",
            )
        back = reading_back(self.talk, target)
        for name in names:
            self.run.aims |= {one: aim for one, aim in shown_as(target).items() if one == name}
            self.measured = self.sent_at = None
            if name == "longitude":
                self.told[name] = self._longitude(target)
            elif name == "latitude":
                self.told[name] = self.writer.setting(name, latitude_forms(target, self.manner), back[name])
            elif name == "offset":
                self.told[name] = self._offset(target, back[name])
                if self.told[name] != "there" and not self.on_utc and target.offset_h != 0.0:
                    self.on_utc = True  # the zone can't be held: UTC with offset 0 serves as well
                    return self.write(["offset", "date", "time"], replace(target, offset_h=0.0))
            elif name == "date":
                self._wait_out_midnight(target)
                self.told[name] = self._date(target)
            elif name == "time":
                self._time(target)
            if self.told[name] == "there" and name != "time":
                self.run.confirmed.add(name)
        self.last_write = self.sent_at or self.run.seams.clock.monotonic()
        self._second_stage()
        return target

    def _second_stage(self) -> None:
        """The record after the writes; if it can't be written, the first stage stands and says "maybe written"."""
        record = self.run.record
        assert record is not None
        record.data.update(attempts=self.run.attempts, confirmed=sorted(self.run.standing()))
        try:
            record.save("written")
        except RecordError as error:
            self.run.note("record-not-written", str(error))

    def _longitude(self, target: Target) -> Told:
        told = write_longitude(
            self.writer,
            self.manner,
            lambda: longitude_forms(target, self.manner),
            lambda shown: longitude_there(shown, target),
        )
        if self.manner.turned and self.manner.auto:
            self.run.note("longitude-sign-turned", "it takes a longitude with the other sign than it shows it with")
        return told

    def _offset(self, target: Target, there: object) -> Told:
        forms = offset_forms(target, self.manner)
        if not forms:
            return "refused"
        return self.writer.setting("offset", forms, there)  # type: ignore[arg-type]

    def _date(self, target: Target) -> Told:
        local = local_time(self.run, target)
        date = local.date()
        midnight_at = self.run.seams.clock.monotonic() + 86400.0 - second_of_day(local)
        self.run.aims["date"] = goes_on_from(date, target.convention.date_order, midnight_at)
        told = write_date(self.writer, date, target.convention, self.manner)
        if told != "there":
            self.order_refused.add(target.convention.date_order)
        return told

    def _time(self, target: Target) -> None:
        self._wait_out_midnight(target)
        self._same_day(target)
        assert self.run.sight is not None
        assert self.run.record is not None
        setter = clockset.ClockSetter(
            self.talk,
            clockset.Wanted(self.truth, target.offset_h, self._scale().ahead_s),
            self.run.clock,
            self.run.sight.readings.display_hours,
            self.run.attempted,
            self.run.wait,
            self.before.measure,
            clockset.worth_s(self.truth, self.run.config.policy.clock_tolerance_s),
        )
        try:
            brought = setter.bring() if self.precise else setter.once()
        except clockset.HostSuspended as error:
            raise Stop("untrusted", "host-suspended", str(error), "keep the machine awake, and run again") from None
        finally:
            self.run.record.data.setdefault("time_sends", []).extend(one.value() for one in setter.sender.sends)
        for slug, text in brought.notes:
            self.run.note(slug, text)
        self.measured, self.sent_at = brought.measure, brought.sent_at
        accepted = brought.accepted
        self.told["time"] = "refused" if accepted is False else "unheard" if accepted is None else "there"

    def _same_day(self, target: Target) -> None:
        """The date once more, where midnight, ours or the mount's own, has passed since it was right."""
        shown, _, _ = self.talk.ask("get-date", lx.parse_date)
        right = local_time(self.run, target).date()
        if (
            self.told.get("date", "there") == "there"
            and shown.in_order(target.convention.date_order, pivot=right.year - right.year % 100) != right
        ):
            self.told["date"] = self._date(target)
            self._wait_out_midnight(target)

    def _scale(self) -> timescales.Shift:
        """What the clock shall be ahead of UTC."""
        utc = self.run.utc()
        assert utc is not None
        found = timescales.shift(self.run.config.policy.timescale, utc)
        if found.scale != "utc":
            self.run.note("clock-on-ut1", found.told)
        return found

    def _wait_out_midnight(self, target: Target) -> None:
        """A date written before midnight and a time after it would be a day apart: wait until it has passed."""
        local = local_time(self.run, target)
        left = 86400.0 - second_of_day(local)
        patience = 3.0 if self.run.dialect.date.blocks_s < 1 else MIDNIGHT_S
        if left < patience:
            self.run.pause_until(self.run.seams.clock.monotonic() + left + 0.3, "local midnight")

    # --- the whole --------------------------------------------------------------------------------

    def bring_right(self) -> None:
        """Passes until right and proven. Raises Stop."""
        names = names_to_write(self.run)
        longitude_moves = "longitude" in names or "offset" in names or "date" in names
        staged = refused_before = False
        for number in range(PASSES):
            target = self.write(names, self._target())
            self._look_again(target)
            decision = conclude(self.run)
            alone = len(self.told) == 1 and "refused" in self.told.values()
            if (number == 0 and not alone) or (number == 1 and refused_before):
                self._stop_if_all_refused()
            refused_before = alone  # a single one may have come damaged: it is written once more
            flipped = self._other_date_order()
            if decision.state == "none":  # a clock that is only renewed later, or a stale first look: in stages
                staged = True
                self._in_stages()
                names = self._names()
            elif (
                decision.state == "ambiguous"
                or self._other_half_of_the_day()
                or (decision.state == "right" and longitude_moves and not self._followed())
            ):
                if staged:
                    break
                staged = True
                self._in_stages()
                names = self._names()
            elif decision.state == "wrong" or flipped:
                names = self._names()
                if "offset" in names and self._offset_was_tried() and not self.on_utc:
                    self.on_utc = True
                    names = self._names()
                continue
            if self.run.decision is not None and self.run.decision.state == "right" and self._stays():
                return
            names = self._names()
        self._give_up()

    def _names(self) -> list[str]:
        """What is to be written next. A mount on its way to UTC, but not there yet, is judged by the zone, so that its
        date can seem right: it goes with the offset."""
        names = names_to_write(self.run)
        if self.on_utc and "offset" in names:
            names = [one for one in self.run.dialect.write_order if one in {*names, "offset", "date", "time"}]
        return names

    def _target(self) -> Target:
        convention = self._convention()
        self.zone_offset_h = self.run.zone_offset_h or 0.0  # it may have changed since
        offset = 0.0 if self.on_utc else self.zone_offset_h
        return site_target(convention, self.run.config.site, offset)

    def _convention(self) -> Convention:
        """The convention to write in; an order of dates that was refused outright is not tried again."""
        evidence = self.run.evidence
        if evidence.declared is not None:
            return evidence.declared
        open_ones = evidence.survivors or frozenset(evidence.allowed)
        willing = [one for one in open_ones if one.date_order not in self.order_refused]
        return min(willing or open_ones)

    def _other_date_order(self) -> bool:
        one_refused = self.told.get("date", "there") != "there" and len(self.order_refused) == 1
        return one_refused and self.run.evidence.declared is None

    def _offset_was_tried(self) -> bool:
        """Whether the zone's offset was written as it would be now: in another sense it is another value."""
        forms = offset_forms(self._target(), self.manner)
        return not forms or forms[0] in self.run.attempts.get("offset", ())

    def _other_half_of_the_day(self) -> bool:
        """Whether what was just set seems half a day off on a display of 12 hours: then the offset counts the other
        way, +-6 h looking alike there."""
        assert self.run.sight is not None
        best = self.run.decision.best if self.run.decision is not None else None
        if best is None or self.run.sight.readings.display_hours == 24 or best.utc_error_s is None:
            return False
        return self.told.get("time") != "refused" and abs(abs(sum(best.utc_error_s)) / 2 - 43200.0) < HALF_DAY_S

    def _followed(self) -> bool:
        assert self.run.sight is not None
        return self.run.evidence.followed(self.run.sight)

    def _look_again(self, target: Target) -> bool:
        """Read everything after a write; the sidereal clock has been renewed by setting the time."""
        sight = look_at_mount(self.run, measure=self.measured, quick=not self.precise)
        gone = self.run.confirmed & no_longer_there(sight.readings, target)
        if gone:
            self._note_overwritten()
        self.run.confirmed -= gone
        fitted = self.run.evidence.add(sight, fresh=True)
        self.contradictions += bool(sight.fitting) and not fitted
        return fitted

    def _stop_if_all_refused(self) -> None:
        """Every write was refused and nothing changed: no use in going on. Raises Stop."""
        refused = [name for name in self.run.attempts if self.told.get(name) == "refused"]
        in_step = len(self.talk.troubles) == self.troubles_before  # else a refusal may be the late answer to another
        if self.told and len(refused) == len(self.told) and in_step and self._as_before():
            assert self.run.sight is not None
            parked = self.run.sight.readings.status is not None and self.run.sight.readings.status[1] not in "TN"
            raise Stop(
                "refused",
                "mount-refuses-settings",
                "the mount refuses every setting; it is as it was",
                "some mounts take settings once per power-up, or not while parked"
                + (": it is parked" if parked else ""),
            )

    def _as_before(self) -> bool:
        """Whether the mount shows the place, the offset, the date and the running clock that it showed at first."""
        assert self.run.sight is not None
        before, now = self.before, self.run.sight
        then, shown = before.readings, now.readings
        period = 86400.0 if shown.display_hours == 24 else 43200.0
        moved = (now.measure.low + now.measure.high - before.measure.low - before.measure.high) / 2
        midnight = shown.local[-1].seconds < then.local[-1].seconds
        return (
            (shown.longitude_wire, shown.latitude_wire, shown.offset_wire)
            == (then.longitude_wire, then.latitude_wire, then.offset_wire)
            and (shown.date == then.date or midnight)
            and abs(wrap_signed(moved, period)) < STILL_S
        )

    def _in_stages(self) -> None:
        """Write values that tell the conventions apart, with a sidereal reading after each: longitude and offset 0
        with UTC (date order, daylight hour), then a longitude (its sign), then the offset (its sign)."""
        self.run.note("written-in-stages", "written in stages, a sidereal reading after each, to tell the signs apart")
        site = self.run.config.site
        order = self.run.dialect.write_order
        sign_shows = abs(wrap_signed(2 * site.longitude_deg, 360.0)) > 1.0
        steps: list[tuple[float, float | None]] = [(0.0, None)]  # None: an offset that is shown as 0
        if not sign_shows:
            steps.append((PROBE_DEG, None))
        steps.append((site.longitude_deg, None))
        offset_h = 0.0 if self.on_utc else self.zone_offset_h
        shown = self._convention().shown_offset_h(offset_h)
        half_day = self.run.sight is not None and self.run.sight.readings.display_hours == 12
        if half_day and shown and abs(wrap_signed(2 * shown, 12.0)) < 0.3:
            steps.append((site.longitude_deg, PROBE_OFFSET_H))  # +-6 h look alike where half a day is not shown
        steps.append((site.longitude_deg, offset_h))
        before: Target | None = None
        for longitude, offset in steps:
            convention = self._convention()
            if offset is None:
                offset = 1.0 if convention.daylight_hour else 0.0
            effective = 0.0 if convention.local_is_utc else offset
            target = Target(convention, site.latitude_deg, longitude, effective)
            self.precise = (longitude, offset) == steps[-1]
            target = self.write([name for name in order if name not in self._stand_already(target, before)], target)
            before = target
            fitted = self._look_again(target)
            if not fitted and self.run.sight is not None and not self.run.sight.fitting:
                trouble = sidereal_trouble(self.run.sight, self.run.evidence.declared)
                self._leave_at_the_site()
                raise self._unproven(*trouble)
            if self._other_date_order():
                self.write(["date", "time"], replace(target, convention=self._convention()))
                self._look_again(target)
        conclude(self.run)

    def _leave_at_the_site(self) -> None:
        """The stages came to nothing: the site's own values again, never those of a stage."""
        target = self._target()
        self.precise = True
        self.write(list(self.run.dialect.write_order), target)
        self._look_again(target)
        best = conclude(self.run).best
        if best is not None and best.hypothesis.convention == self.run.evidence.declared:
            self.run.confirmed |= {row.name for row in best.rows if row.ok and row.name in self.run.attempts}

    def _unproven(self, code: str, words: str) -> Stop:
        """What is written without a proof. Under a dialect that the user vouches for, nothing is left to be done where
        it all was read back: the mount does not agree. Else its signs are unknown, and with them what was written."""
        done = set(self.run.attempts) <= self.run.standing()
        vouched = self.run.evidence.declared is not None and code in CLOCK_DOES_NOT_FOLLOW
        return Stop(
            "discrepant" if done and vouched else "incomplete",
            code,
            f"written and read back, but not proven: {words}" if done else f"written, but not proven: {words}",
            "look whether the mount takes the date, the time or the longitude for its sidereal time only at its start"
            if vouched
            else "give the mount's dialect, if it is known; see its manual",
        )

    def _stand_already(self, target: Target, before: Target | None) -> set[str]:
        """What need not be written in a stage: the latitude away from the site, and what stands since the stage before.
        The date is looked at again before the time is sent, and written where it is another."""
        standing = {name for name, told in self.told.items() if told == "there"}
        same = {"date"}
        if before is not None and before.convention == target.convention:
            same |= {"longitude"} if before.longitude_deg == target.longitude_deg else set()
            same |= {"latitude"} if before.longitude_deg == target.longitude_deg else set()
        away = {"latitude"} if target.longitude_deg != self.run.config.site.longitude_deg else set()
        return standing & same | away

    def _stays(self) -> bool:
        """Look again some seconds later: a hand controller or a built-in receiver may have the last word."""
        earlier = self.run.sight
        assert earlier is not None
        self.run.pause_until(self.last_write + SECOND_LOOK_S, "a second look after the last write")
        sight = look_at_mount(self.run)
        self.run.evidence.add(sight, fresh=False)
        decision = conclude(self.run)
        if decision.state == "right":  # and the sidereal clock must have gone on since the first look
            joined = replace(sight.readings, sidereal=(earlier.readings.sidereal[0], *sight.readings.sidereal))
            self.run.sight = self.run.evidence.look(joined, sight.measure)
            return conclude(self.run).state == "right"
        self._note_overwritten()
        return False

    def _note_overwritten(self) -> None:
        self.run.note("settings-overwritten", "what was written did not stay: something else writes to this mount")

    def _answered(self, name: str) -> str:
        """How the mount answered the last write of a setting that differs; "" where it was there, or not written."""
        words = {"refused": "it refuses it", "unchanged": "it acknowledges it and does not show it"}
        told = words.get(self.told.get(name, ""))
        return f" ({told})" if told else ""

    def _give_up(self) -> None:
        decision = self.run.decision
        assert self.run.sight is not None
        if decision is None or decision.state == "none":
            raise self._unproven(*sidereal_trouble(self.run.sight, self.run.evidence.declared))
        if self.contradictions > 1:  # one can come of a clock that was not up to date at first
            raise self._unproven(
                "sidereal-clock-independent",
                "after each write the mount's sidereal time fits other signs than before it: it does not follow its "
                "settings, and the proof is impossible",
            )
        if decision.state == "ambiguous":
            raise Stop("incomplete", "signs-ambiguous", "written, but its signs can't be told apart", "see the record")
        best = decision.best
        wrong = ", ".join(one + self._answered(one) for one in best.wrong) if best is not None else "its settings"
        code = (
            "settings-overwritten"
            if any(one.note == "settings-overwritten" for one in self.run.notes)
            else "settings-not-taken"
        )
        raise Stop(
            "incomplete",
            code,
            f"after {PASSES} passes the mount still differs: {wrong}",
            "look at what it shows; another controller may overwrite it, or it does not hold these values",
        )
