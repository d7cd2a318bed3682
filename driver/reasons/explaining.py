"""The stage of a run that explains: settings first, then what its sidereal clock and its sources betray."""

from __future__ import annotations

from noonmark.driver import sky
from noonmark.driver.comparison import unix_datetime
from noonmark.driver.explanation import explain_settings
from noonmark.driver.places import PlaceClaim
from noonmark.driver.proof import IMPRECISE_S, Sight, latitude_sign, sidereal_trouble
from noonmark.driver.reasons.causes import CAUSES
from noonmark.driver.reasons.sky_error import Aim
from noonmark.driver.reasons.source_causes import explain_sources
from noonmark.driver.result import CauseValue
from noonmark.driver.run import Run
from noonmark.driver.truth import TimeClaim


def explain(run: Run) -> list[CauseValue]:
    """The likely causes of everything that is wrong; empty where all is right and all sources agree."""
    return [*_settings(run), *_sky(run), *_sources(run)]


def _settings(run: Run) -> tuple[CauseValue, ...]:
    """Without a truth only the place is judged, and only it is explained."""
    if run.decision is None or run.decision.state == "none":
        return ()
    if run.decision.best is not None and run.decision.best.only_unbounded is not None:
        return ()  # a clock that may be right is not off
    return explain_settings(
        run.decision.judgements, run.config.site, run.zone_offset_h or 0.0, aim=_aim(run), zone=run.zone
    )


def _aim(run: Run) -> Aim | None:
    pointing = run.sight.readings.pointing if run.sight is not None else None
    if pointing is None:
        return None
    if run.truth is None or not run.truth.time_established:
        return Aim(pointing.declination_deg)
    assert run.sight is not None
    utc = unix_datetime(run.truth.utc_s(run.sight.readings.sidereal[0].instant))
    sidereal_h = sky.sidereal_time_h(utc, run.config.site.longitude_deg)
    return Aim(pointing.declination_deg, sky.hour_angle_h(sidereal_h, pointing.right_ascension_h))


def _sky(run: Run) -> list[CauseValue]:
    """What no setting shows: a sidereal clock that proves nothing, a dialect or a hemisphere that is another."""
    if run.decision is None or run.sight is None:
        return []
    if run.decision.state == "none":
        if run.evidence.declared is not None and run.sight.fitting:
            return [_plain("dialect-contradicted", "under another one its sidereal time would fit")]
        slug, words = sidereal_trouble(run.sight)
        if slug == "date-impossible":
            return [_plain("date-wrong", words)]
        if slug not in CAUSES:
            return []
        return [_plain(slug, words, _by_chance(run.sight) if slug == "sidereal-clock-imprecise" else 0.0)]
    latitude = next((row for one in run.decision.judgements[:1] for row in one.rows if row.name == "latitude"), None)
    if latitude is not None and latitude.ok and latitude_sign(run.sight) == "contradicted":
        words = "its latitude reads right, but the altitude that it shows fits the opposite one"
        return [_plain("latitude-sign-reversed", words)]
    return []


def _by_chance(sight: Sight) -> float:
    """How likely a clock of its own comes as near as an imprecise one, to any of the conventions."""
    different = {round(one.residual_s / IMPRECISE_S) for one in sight.hypotheses}
    return min(0.5, len(different) * 2.0 * IMPRECISE_S / 86400.0)


def _plain(slug: str, words: str, doubt: float = 0.0) -> CauseValue:
    """A cause that is seen by itself and not weighed against others; `doubt`: that it only seems so."""
    row = CAUSES[slug]
    return CauseValue(
        cause=slug, sentence=f"{row.sentence[:-1]}: {words}.", sky_error_deg=None, confidence=round(1.0 - doubt, 4),
        remedy=row.remedy,
    )  # fmt: skip


def _sources(run: Run) -> tuple[CauseValue, ...]:
    if run.truth is None or run.sources is None:
        return ()
    times: list[TimeClaim] = []
    places: list[PlaceClaim] = []
    said = [one.claims() for one in run.sources.receivers]
    if run.sources.host_counts:
        said.append(run.sources.host.claims())
    for claims in said:
        times += claims.times
        places += claims.places
    return explain_sources(
        run.truth, times, places, run.config.site, zone_offset_h=run.zone_offset_h,
        site_tolerance_m=run.config.policy.site_tolerance_m,
    )  # fmt: skip
