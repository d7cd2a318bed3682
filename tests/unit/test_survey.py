"""A survey's place, its radius, what it refuses, its file and its verb."""

from __future__ import annotations

import json
import math
import random
import tomllib
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from geographiclib.geodesic import Geodesic

from noonmark.driver import iso6709, site_file, survey_live
from noonmark.driver.cli.survey import survey as verb
from noonmark.driver.config import ConfigError, build_config
from noonmark.driver.interrupts import Interrupted
from noonmark.driver.site_config import load_site
from noonmark.driver.site_file import SiteFileError
from noonmark.driver.survey import COMMON_RADIUS_M, Survey, SurveyError, percentile_95, survey
from noonmark.protocols.epochs import Epoch
from noonmark.protocols.nmea import sentence
from noonmark.protocols.seams import Discipline, StreamError

RIDGE = (-31.8571, 141.6034, 212.0)
START = datetime(2026, 11, 24, 9, 0, 0, tzinfo=UTC)

RECORDINGS = Path(__file__).parents[3] / "shared" / "nmea"


def epoch(
    number: int, latitude_deg: float, longitude_deg: float, altitude_m: float | None = 212.0, **changes: Any
) -> Epoch:
    values: dict[str, Any] = {
        "utc": START + timedelta(seconds=number),
        "latitude_deg": latitude_deg,
        "longitude_deg": longitude_deg,
        "altitude_m": altitude_m,
        "hdop": 0.9,
        "satellites": 12,
        "valid": True,
        "usable": True,
        "why_not": "",
        "instant": float(number),
        "simulated": False,
    }
    return Epoch(**{**values, **changes})


def around(
    offsets_m: Sequence[tuple[float, float]], place: tuple[float, float, float] = RIDGE, **changes: Any
) -> list[Epoch]:
    """Epochs a second apart at (east, north) metres from a place, laid out by geographiclib."""
    epochs = []
    for number, (east_m, north_m) in enumerate(offsets_m):
        there = Geodesic.WGS84.Direct(
            place[0], place[1], math.degrees(math.atan2(east_m, north_m)), math.hypot(east_m, north_m)
        )
        epochs.append(epoch(number, there["lat2"], there["lon2"], **{"altitude_m": place[2], **changes}))
    return epochs


def scattered(count: int, sigma_m: float, seed: int = 1) -> list[tuple[float, float]]:
    lots = random.Random(seed)
    return [(lots.gauss(0.0, sigma_m), lots.gauss(0.0, sigma_m)) for _ in range(count)]


def apart_m(found: Survey, place: tuple[float, float, float]) -> float:
    distance: float = Geodesic.WGS84.Inverse(found.latitude_deg, found.longitude_deg, place[0], place[1])["s12"]
    return distance


# --- the place ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "place", [RIDGE, (0.0, 180.0, 5.0), (0.0, -179.99999, 5.0), (89.9999, 33.0, 0.0), (-90.0, 0.0, 2800.0)]
)
def test_the_median_of_scattered_epochs_is_the_place(place: tuple[float, float, float]) -> None:
    """The median of 300 epochs of 2 m each lies within 3 x 1.2533 x 2 / sqrt(300) = 0.43 m on each axis."""
    found = survey(around(scattered(300, 2.0), place))
    assert apart_m(found, place) < 0.43 * math.sqrt(2.0)
    assert found.elevation_m == place[2]
    assert -180.0 <= found.longitude_deg <= 180.0
    assert found.epochs_used == found.epochs_seen == 300


def test_a_few_wild_epochs_move_nothing_and_many_are_refused() -> None:
    offsets = scattered(300, 1.0)
    for number in range(5, 300, 10):
        offsets[number] = (80_000.0, -40_000.0)
    calm = survey(around(scattered(300, 1.0)))
    with pytest.raises(SurveyError, match="scatter"):
        survey(around(offsets))  # a tenth beyond is more than the 5 % that a 95 % radius may leave out
    few = scattered(300, 1.0)
    for number in range(5, 300, 30):
        few[number] = (80_000.0, -40_000.0)
    assert apart_m(survey(around(few)), RIDGE) < 0.5
    assert survey(around(few)).scatter95_m < 2.0 * calm.scatter95_m


def test_the_radius_holds_what_the_scatter_can_not_show() -> None:
    """95% of a two-axis normal scatter of 2 m lie within 2.448 x 2 m; the common error is added in squares."""
    found = survey(around(scattered(2000, 2.0)))
    assert found.scatter95_m == pytest.approx(2.448 * 2.0, rel=0.06)
    assert found.radius95_m == pytest.approx(math.hypot(COMMON_RADIUS_M, found.scatter95_m))
    frozen = survey(around([(0.0, 0.0)] * 60))
    assert [frozen.scatter95_m, frozen.radius95_m] == pytest.approx([0.0, COMMON_RADIUS_M], abs=1e-6)
    assert any("8 m" in text for text in frozen.assumptions)


def test_the_95th_percentile_is_by_nearest_rank() -> None:
    assert percentile_95([float(number) for number in range(1, 101)]) == 95.0
    assert percentile_95([3.0]) == 3.0


def test_the_survey_writes_its_place_in_every_form() -> None:
    found = survey(around([(0.0, 0.0)] * 60))
    point = iso6709.parse(found.iso6709)
    assert (point.latitude_deg, point.longitude_deg, point.height_m) == (-31.8571, 141.6034, 212.0)
    assert found.forms.latitude_seconds == "31 deg 51' 26\" S"
    assert found.timezones == ("Australia/Broken_Hill",)


def test_a_place_of_two_zones_has_both() -> None:
    """Xinjiang (zone1970.tab): whoever surveys there must choose."""
    found = survey(around([(0.0, 0.0)] * 60, (43.8, 87.6, 800.0)))
    assert set(found.timezones) == {"Asia/Shanghai", "Asia/Urumqi"}
    assert any("several time zones" in note for note in found.notes)


def test_a_place_beside_a_border_has_the_zones_of_both_sides() -> None:
    """South Australia ends at 141 deg east by its founding act (4 & 5 Will. IV c. 95, 1834): 300 m west of it."""
    found = survey(around([(0.0, 0.0)] * 60, (-30.0, 140.9969, 100.0)))
    assert found.timezones[0] == "Australia/Adelaide"
    assert set(found.timezones) == {"Australia/Adelaide", "Australia/Sydney"}
    assert any("border" in note and "Australia/Sydney" in note for note in found.notes)
    assert survey(around([(0.0, 0.0)] * 60, (-30.0, 140.9, 100.0))).timezones == ("Australia/Adelaide",)


def test_the_sea_off_a_land_is_no_zone_of_it() -> None:
    """The zone map has a land's zone out to 12 nautical miles (22.2 km) off, east of Cape Byron to 153.866 deg east; a
    boat 300 m within is not asked to choose the sea's nautical zone."""
    found = survey(around([(0.0, 0.0)] * 60, (-28.6388, 153.863, 0.0)))
    assert found.timezones == ("Australia/Sydney",)
    beyond = survey(around([(0.0, 0.0)] * 60, (-28.6388, 153.869, 0.0)))
    assert beyond.timezones == ("Etc/GMT-10", "Australia/Sydney")


def test_a_missing_elevation_and_an_old_date_are_told() -> None:
    epochs = around([(0.0, 0.0)] * 60, altitude_m=None)
    assert survey(epochs).elevation_m is None
    assert any("elevation_m is left out" in note for note in survey(epochs).notes)
    old = around([(0.0, 0.0)] * 60)
    old = [epoch(number, RIDGE[0], RIDGE[1], utc=START - timedelta(days=7168, seconds=-number)) for number in range(60)]
    assert any("week rollover" in note for note in survey(old).notes)


# --- what is refused ----------------------------------------------------------------------------------------------


def refusal(epochs: list[Epoch]) -> SurveyError:
    with pytest.raises(SurveyError) as caught:
        survey(epochs)
    assert caught.value.remedy
    return caught.value


def test_a_walk_is_refused() -> None:
    """0.5 m/s over two minutes, under 2 m of scatter."""
    walk = [(east + 0.5 * number, north) for number, (east, north) in enumerate(scattered(120, 2.0))]
    assert refusal(around(walk)).code == "survey-moving"
    assert "m apart" in str(refusal(around(walk)))


def test_a_walk_there_and_back_is_refused() -> None:
    """First and last third agree; the scatter does not."""
    there = [(1.5 * min(number, 120 - number), 0.0) for number in range(121)]
    assert refusal(around(there)).code in ("survey-poor", "survey-moving", "survey-jump")


def test_a_jump_is_refused_and_its_instant_told() -> None:
    jump = [(east + (40.0 if number >= 70 else 0.0), north) for number, (east, north) in enumerate(scattered(120, 1.0))]
    told = refusal(around(jump))
    assert told.code == "survey-jump"
    assert "09:01:" in str(told)


def test_a_slow_wander_as_receivers_have_it_is_accepted() -> None:
    wander = [(3.0 * math.sin(number / 40.0), 2.0 * math.cos(number / 55.0)) for number in range(300)]
    assert survey(around(wander)).drift_m < 10.0


@pytest.mark.parametrize("count", [1, 12, 29, 54])
def test_too_few_epochs_are_refused(count: int) -> None:
    told = refusal(around([(0.0, 0.0)] * count))
    assert told.code == "survey-too-short"
    assert f"{count} usable epochs" in str(told)


def test_ten_epochs_a_second_are_no_minute() -> None:
    quick = [epoch(0, RIDGE[0], RIDGE[1], utc=START + timedelta(seconds=number / 10.0)) for number in range(300)]
    assert refusal(quick).code == "survey-too-short"


def test_a_step_of_the_receivers_date_is_no_span() -> None:
    epochs = around([(0.0, 0.0)] * 40)
    late = [epoch(number, RIDGE[0], RIDGE[1], utc=START + timedelta(days=400, seconds=number)) for number in range(5)]
    assert refusal(epochs + late).code == "survey-too-short"


def test_no_fix_is_refused_with_the_reason_of_most_epochs() -> None:
    blind = [epoch(n, 0.0, 0.0, usable=False, why_not="no-fix: the receiver has no fix") for n in range(50)]
    blind += [epoch(60, 0.0, 0.0, usable=False, why_not="no-date: no date of the same instant is told")]
    told = refusal(blind)
    assert told.code == "survey-no-fix"
    assert "no-fix: the receiver has no fix (50 of 51 epochs)" in str(told)
    assert refusal([]).code == "survey-no-fix"


def test_a_poor_geometry_and_a_wild_scatter_are_refused() -> None:
    assert refusal(around([(0.0, 0.0)] * 60, hdop=7.5)).code == "survey-poor"
    assert refusal(around(scattered(100, 20.0))).code in ("survey-poor", "survey-jump")
    assert survey(around([(0.0, 0.0)] * 60, hdop=None)).hdop is None


# --- the recordings -----------------------------------------------------------------------------------------------

WHAT_BECOMES_OF_THEM = {
    "april6_2019.log": "survey-too-short",
    "ch-4711.log": "survey-too-short",
    "firefly-II.log": "survey-too-short",
    "hemi.log": "survey-too-short",
    "iTrek.log": "survey-too-short",
    "mtk-3301.log": "survey-too-short",
    "quectel-l76k-nmea.log": "survey-too-short",
    "skytraq.log": "survey-no-fix",
    "telit-he910.log": (50.8402, 4.3471, "Europe/Brussels"),
    "tn200.log": "survey-no-fix",
    "ublox-neo-m9n-nmea.log": (38.1105, -122.6269, "America/Los_Angeles"),
    "ublox-zed-f9r.log": "survey-too-short",
}


@pytest.mark.skipif(not RECORDINGS.is_dir(), reason="the recordings of real receivers are not here")
@pytest.mark.parametrize("name", sorted(WHAT_BECOMES_OF_THEM))
def test_what_a_survey_makes_of_real_receivers(name: str) -> None:
    """Places are those counted independently of us, to 1e-4 deg (11 m)."""
    epochs = survey_live.recorded(RECORDINGS / name, "nmea")
    expected = WHAT_BECOMES_OF_THEM[name]
    if isinstance(expected, str):
        assert refusal(epochs).code == expected
        return
    found = survey(epochs)
    assert found.latitude_deg == pytest.approx(expected[0], abs=1e-4)
    assert found.longitude_deg == pytest.approx(expected[1], abs=1e-4)
    assert found.timezones == (expected[2],)
    assert found.radius95_m < 15.0


# --- the site file ------------------------------------------------------------------------------------------------


@pytest.fixture
def found() -> Survey:
    return survey(around(scattered(120, 1.0)))


def written_site(
    path: Path, found: Survey, *, replace: bool = False, name: str = "Saltbush Ridge"
) -> site_file.Written:
    site = site_file.site_of(found, name=name, timezone=found.timezones[0])
    return site_file.write(path, found, site, replace=replace)


def test_the_file_is_taken_in_by_a_configuration(tmp_path: Path, found: Survey) -> None:
    path = tmp_path / "site.toml"
    assert written_site(path, found).changed
    data = {
        "site": {"file": "site.toml"},
        "mount": {"port": "sim:"},
        "sources": [{"kind": "host"}, {"kind": "nmea", "port": "sim:receiver"}],
    }
    site = build_config(data, folder=tmp_path).site
    assert (site.name, site.timezone, site.elevation_m) == ("Saltbush Ridge", "Australia/Broken_Hill", 212.0)
    assert site.latitude_deg == pytest.approx(found.latitude_deg, abs=1e-6)
    assert site.longitude_deg == pytest.approx(found.longitude_deg, abs=1e-6)
    (tmp_path / "noonmark.toml").write_text('[site]\nfile = "site.toml"\n')
    assert load_site(tmp_path / "noonmark.toml", environment={}).site == site


@pytest.mark.parametrize("name", ['"quoted"', "back\\slash", "Größe 4"])
def test_any_name_survives_the_file(tmp_path: Path, found: Survey, name: str) -> None:
    written_site(tmp_path / "site.toml", found, name=name)
    assert tomllib.loads((tmp_path / "site.toml").read_text("utf-8"))["site"]["name"] == name


@pytest.mark.parametrize("name", ["new\nline", "\x7f", "x" * 81])
def test_a_name_that_no_site_has_is_refused(tmp_path: Path, found: Survey, name: str) -> None:
    with pytest.raises(site_file.SiteFileError, match="the site's name"):
        written_site(tmp_path / "site.toml", found, name=name)
    assert not (tmp_path / "site.toml").exists()


def test_an_unknown_elevation_is_left_out(tmp_path: Path) -> None:
    without = survey(around([(0.0, 0.0)] * 60, altitude_m=None))
    written_site(tmp_path / "site.toml", without)
    assert "elevation_m" not in tomllib.loads((tmp_path / "site.toml").read_text("utf-8"))["site"]


def test_a_file_that_says_the_same_place_is_left_as_it_is(tmp_path: Path, found: Survey) -> None:
    path = tmp_path / "site.toml"
    written_site(path, found)
    before = path.read_bytes()
    again = survey(around(scattered(120, 1.0, seed=2)))
    assert not written_site(path, again).changed
    assert path.read_bytes() == before


DIFFERENT = [
    ("latitude_deg = -31.85", "latitude_deg = 31.85", "km away"),
    ("longitude_deg = 141.60", "longitude_deg = 141.61", "m away"),
    ("elevation_m = 212.0", "elevation_m = 21.0", "elevation"),
    ("Australia/Broken_Hill", "Australia/Sydney", "time zone"),
    ("latitude_deg", "latitude", "no site file"),
]


@pytest.mark.parametrize(("old", "new", "told"), DIFFERENT)
def test_a_file_that_differs_is_never_overwritten_unasked(
    tmp_path: Path, found: Survey, old: str, new: str, told: str
) -> None:
    path = tmp_path / "site.toml"
    written_site(path, found)
    path.write_text(path.read_text().replace(old, new))
    before = path.read_bytes()
    with pytest.raises(SiteFileError, match=told) as caught:
        written_site(path, found)
    assert caught.value.code == "site-differs"
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == ["site.toml"]


def test_what_is_replaced_is_kept_beside_each_time(tmp_path: Path, found: Survey) -> None:
    path = tmp_path / "site.toml"
    for text in ("first", "second"):
        path.write_text(text)
        done = written_site(path, found, replace=True)
        assert done.kept is not None
        assert done.kept.read_text() == text
        assert site_file.read_site(path).name == "Saltbush Ridge"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["site.toml", "site.toml.1.old", "site.toml.2.old"]


def test_a_folder_that_can_not_be_written_is_told_and_leaves_nothing(tmp_path: Path, found: Survey) -> None:
    with pytest.raises(SiteFileError, match=r"site\.toml can't be written") as caught:
        written_site(tmp_path / "absent" / "site.toml", found)
    assert caught.value.code == "site-file-not-writable"


# --- listening ----------------------------------------------------------------------------------------------------


class VirtualClock:
    """Time that moves only when someone waits."""

    def __init__(self) -> None:
        self.now = 1000.0

    def monotonic(self) -> float:
        return self.now

    def utc_ns(self) -> int:
        return int(self.now * 1e9)

    def boottime(self) -> float:
        return self.now

    def discipline(self) -> Discipline:
        return Discipline(None)

    def wait_until(self, instant: float) -> None:
        self.now = max(self.now, instant)


class VirtualReceiver:
    """Bursts of sentences a second apart, at the ridge; `silent` sends nothing, `fails_at` breaks the line."""

    address = "/dev/receiver"

    def __init__(self, clock: VirtualClock, *, silent: bool = False, fails_at: float = math.inf) -> None:
        self._clock, self._silent, self._fails_at = clock, silent, fails_at
        self._count = 0
        self.written = b""
        self.closed = False

    def read(self, until: float) -> list[tuple[float, bytes]]:
        due = 1000.5 + self._count
        if self._silent or due > until:
            self._clock.wait_until(until)
            return []
        if due > self._fails_at:
            raise StreamError("/dev/receiver failed in use", code="port-vanished", remedy="check the cable")
        self._clock.wait_until(due)
        self._count += 1
        return [(due, burst(self._count))]

    def write(self, data: bytes) -> None:
        self.written += data

    def close(self) -> None:
        self.closed = True


def burst(number: int) -> bytes:
    when = START + timedelta(seconds=number)
    time, day = f"{when:%H%M%S}.00", f"{when:%d%m%y}"
    place = "3151.4260,S,14136.2040,E"
    return sentence(f"GNRMC,{time},A,{place},0.0,,{day},,,A") + sentence(
        f"GNGGA,{time},{place},1,12,0.9,212.0,M,0.0,M,,"
    )


def test_listening_collects_epochs_for_the_time_given_and_tells_progress() -> None:
    clock = VirtualClock()
    told: list[survey_live.Progress] = []
    epochs = survey_live.collect(VirtualReceiver(clock), "nmea", clock, 120.0, told.append)
    assert clock.now == pytest.approx(1120.0, abs=0.3)
    assert len(epochs) == 120
    assert all(one.usable for one in epochs)
    assert 100 <= len(told) <= 121
    assert [one.usable for one in told] == sorted(one.usable for one in told)
    assert apart_m(survey(epochs), (-31.8571, 141.6034, 0.0)) < 0.5


def test_a_silent_line_is_given_up_after_ten_seconds() -> None:
    clock = VirtualClock()
    with pytest.raises(SurveyError, match="not a byte came from /dev/receiver") as caught:
        survey_live.collect(VirtualReceiver(clock, silent=True), "nmea", clock, 300.0)
    assert caught.value.code == "receiver-silent"
    assert clock.now < 1011.0


def test_the_daemon_is_asked_to_report() -> None:
    clock = VirtualClock()
    daemon = VirtualReceiver(clock)
    survey_live.collect(daemon, "gpsd", clock, 60.0)
    assert daemon.written == b'?WATCH={"enable":true,"json":true};\n'


# --- the verb -----------------------------------------------------------------------------------------------------


def run(*arguments: str) -> Result:
    return CliRunner().invoke(verb, list(arguments), standalone_mode=False)


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "receiver.log"
    path.write_bytes(b"".join(burst(number) for number in range(90)))
    return path


def test_the_verb_makes_a_site_file_from_a_recording(tmp_path: Path, recording: Path) -> None:
    out = tmp_path / "site.toml"
    result = run("--from", str(recording), "--out", str(out), "--name", "Saltbush Ridge")
    assert (result.exception, result.return_value) == (None, 0)
    assert "31 deg 51' 26\" S" in result.stdout
    assert "-31.85710+141.60340+212/" in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    site = site_file.read_site(out)
    assert (site.name, site.latitude_deg, site.longitude_deg) == ("Saltbush Ridge", -31.8571, 141.6034)
    assert "was left as it is" in " ".join(run("--from", str(recording), "--out", str(out)).stdout.split())


def test_the_verb_prints_one_json_document_on_every_exit(tmp_path: Path, recording: Path) -> None:
    out = tmp_path / "site.toml"
    short = tmp_path / "short.log"
    short.write_bytes(burst(1))
    out.write_text("[site]\nlatitude_deg = 10.0\nlongitude_deg = 10.0\ntimezone = 'Africa/Lagos'\n")
    rows = [
        (("--from", str(recording)), 0, "surveyed"),
        (("--from", str(short)), 3, "survey-too-short"),
        (("--from", str(tmp_path / "absent.log")), 2, "recording-unreadable"),
        (("--from", str(out)), 3, "recording-empty"),
        (("--from", str(recording), "--source", "gpsd"), 3, "recording-empty"),
        (("--from", str(recording), "--out", str(out)), 5, "site-differs"),
        (("--port", str(tmp_path / "no-port")), 4, "port-absent"),
    ]
    for arguments, status, code in rows:
        result = run(*arguments, "--json")
        assert result.exception is None, arguments
        document = json.loads(result.stdout)
        assert (result.return_value, document["exit_status"], document["code"]) == (status, status, code)
    assert json.loads(run("--from", str(recording), "--out", str(out), "--json").stdout)["survey"]["epochs_used"] == 90


def test_a_survey_whose_file_is_refused_is_still_shown(tmp_path: Path, recording: Path) -> None:
    """Minutes of listening are not lost because a file says another site."""
    out = tmp_path / "site.toml"
    out.write_text("[site]\nlatitude_deg = 10.0\nlongitude_deg = 10.0\ntimezone = 'Africa/Lagos'\n")
    result = run("--from", str(recording), "--out", str(out))
    assert result.return_value == 5
    assert "31 deg 51' 26\" S" in result.stdout
    assert "nothing was written" in result.stdout
    assert "--replace" in result.stderr


def test_the_verb_keeps_the_old_file_when_told_to_replace_it(tmp_path: Path, recording: Path) -> None:
    out = tmp_path / "site.toml"
    out.write_text("anything")
    result = run("--from", str(recording), "--out", str(out), "--replace", "--json")
    assert Path(json.loads(result.stdout)["kept"]).read_text() == "anything"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((), "no default line"),
        (("--port", "x", "--from", "y"), "both given"),
        (("--port", "sim:receiver"), "simulated receiver"),
        (("--port", "x", "--duration", "10"), "expected 60 to 86400"),
        (("--port", "x", "--duration", "nan"), "expected 60 to 86400"),
        (("--from", "x", "--timezone", "Asia/Tokio"), "Asia/Tokyo"),
        (("--from", "x", "--name", "\x1b[2J"), "printable"),
        (("--from", "x", "--out", "."), "is a folder"),
        (("--port", "x", "--out", "absent/site.toml"), "there is no folder absent"),
    ],
)
def test_a_command_line_that_can_not_be_meant_is_refused(arguments: tuple[str, ...], told: str) -> None:
    result = run(*arguments)
    assert isinstance(result.exception, ConfigError)
    assert told in str(result.exception)


def listening(monkeypatch: pytest.MonkeyPatch, **receiver: Any) -> list[VirtualReceiver]:
    """Put a virtual clock and receiver behind the verb's line."""
    clock = VirtualClock()
    opened: list[VirtualReceiver] = []

    def open_stream(address: str, **_: Any) -> VirtualReceiver:
        opened.append(VirtualReceiver(clock, **receiver))
        return opened[-1]

    monkeypatch.setattr("noonmark.driver.clocks.SystemClock", lambda flag: clock)
    monkeypatch.setattr("noonmark.driver.streams.open_stream", open_stream)
    return opened


def test_the_verb_listens_to_a_line_and_lets_go_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    opened = listening(monkeypatch)
    result = run("--port", "/dev/receiver", "--duration", "120")
    assert (result.exception, result.return_value) == (None, 0)
    assert "usable epochs" in result.stderr
    assert opened[0].closed


def test_a_line_that_fails_while_listening_is_unreachable(monkeypatch: pytest.MonkeyPatch) -> None:
    opened = listening(monkeypatch, fails_at=1030.0)
    result = run("--port", "/dev/receiver", "--json")
    assert (result.return_value, json.loads(result.stdout)["code"]) == (4, "port-vanished")
    assert opened[0].closed


def test_a_signal_ends_the_survey_with_its_status(monkeypatch: pytest.MonkeyPatch) -> None:
    opened = listening(monkeypatch)

    def interrupted(self: VirtualReceiver, until: float) -> list[tuple[float, bytes]]:
        raise Interrupted(2)

    monkeypatch.setattr(VirtualReceiver, "read", interrupted)
    result = run("--port", "/dev/receiver", "--json")
    assert (result.return_value, json.loads(result.stdout)["code"]) == (130, "interrupted")
    assert opened[0].closed
