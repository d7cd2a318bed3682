"""The configuration: what is taken, and every mistake in one clear sentence with file, key and remedy."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from noonmark.driver.cli import run
from noonmark.driver.config import (
    Config,
    ConfigError,
    Policy,
    RecordConfig,
    build_config,
    check_zone,
    find_config,
    load_config,
    overridden,
)
from noonmark.driver.escaping import escape

# An invented place (demo: Saltbush Ridge).
SITE = """[site]
name = "Saltbush Ridge"
latitude_deg = -31.8571
longitude_deg = 141.6034
elevation_m = 212.0
timezone = "Australia/Broken_Hill"
"""
MOUNT = '[mount]\nport = "/dev/ttyUSB0"\n'
SOURCES = '[[sources]]\nkind = "host"\n[[sources]]\nkind = "nmea"\nport = "/dev/ttyUSB1"\n'
GOOD = SITE + MOUNT + SOURCES


def written(folder: Path, text: str | bytes) -> Path:
    file = folder / "noonmark.toml"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return file


def loaded(folder: Path, text: str | bytes, **environment: str) -> Config:
    return load_config(written(folder, text), environment=environment)


def refusal(folder: Path, text: str | bytes, **environment: str) -> ConfigError:
    with pytest.raises(ConfigError) as caught:
        check_zone(loaded(folder, text, **environment))
    return caught.value


# --- what is taken ----------------------------------------------------------------------------------


def test_the_defaults_are_those_of_the_documentation(tmp_path: Path) -> None:
    """The values of the example in the design's section 10, written out here."""
    config = loaded(tmp_path, GOOD)
    assert (config.mount.baud, config.mount.dialect, config.mount.reply_timeout_s) == (9600, "auto", 2.0)
    assert (config.sources[1].baud, config.sources[1].latency_s) == (9600, 0.9)
    policy = config.policy
    assert (policy.time_origins_required, policy.place_origins_required) == (2, 2)
    assert (policy.clock_tolerance_s, policy.clock_rewrite_s) == (1.0, 0.1)
    assert (policy.site_tolerance_m, policy.time_limit_s) == (500.0, 90.0)


def test_the_file_that_init_writes_is_taken_and_shows_the_defaults(tmp_path: Path) -> None:
    """With what it is told on the command line it needs no further hand; every value besides is the default."""
    file = tmp_path / "noonmark.toml"
    told = ["--port", "/dev/ttyUSB0", "--receiver", "/dev/ttyUSB1", "--latitude", "-31.8571",
            "--longitude", "141.6034", "--timezone", "Australia/Broken_Hill"]  # fmt: skip
    assert run(["init", str(file), *told]) == 0
    config = load_config(file, environment={})
    assert (config.mount.port, config.sources[1].port) == ("/dev/ttyUSB0", "/dev/ttyUSB1")
    assert (config.site.latitude_deg, config.site.longitude_deg) == (-31.8571, 141.6034)
    assert config.site.timezone == "Australia/Broken_Hill"
    assert config.policy == Policy()
    assert config.record == RecordConfig()
    assert set(tomllib.loads(file.read_text("utf-8"))["policy"]) == set(Policy.model_fields), "it shows every key"


def test_a_longitude_of_0_to_360_is_taken_and_said(tmp_path: Path) -> None:
    config = loaded(tmp_path, GOOD.replace("141.6034", "218.25").replace("Australia/Broken_Hill", "America/Anchorage"))
    assert config.site.longitude_deg == pytest.approx(-141.75)
    assert len(config.notes) == 1
    assert "218.25" in config.notes[0]
    assert "-141.75" in config.notes[0]


def test_a_usual_longitude_needs_no_word(tmp_path: Path) -> None:
    assert loaded(tmp_path, GOOD).notes == ()
    assert loaded(tmp_path, GOOD.replace("141.6034", "180")).site.longitude_deg == 180.0


def test_a_site_file_beside_the_configuration_is_read(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE + 'surveyed_from = "somewhere"\n')
    config = loaded(tmp_path, '[site]\nfile = "site.toml"\n' + MOUNT + SOURCES)
    assert config.site.latitude_deg == -31.8571
    assert config.site.name == "Saltbush Ridge"


def test_a_site_file_without_a_table_of_its_own_is_read_too(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE.removeprefix("[site]\n"))
    assert loaded(tmp_path, '[site]\nfile = "site.toml"\n' + MOUNT + SOURCES).site.elevation_m == 212.0


def test_a_configuration_is_found_here_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "home"))
    with pytest.raises(ConfigError) as caught:
        find_config(None)
    assert caught.value.code == "configuration-absent"
    assert "noonmark init" in caught.value.remedy
    user = tmp_path / "home" / "noonmark"
    user.mkdir(parents=True)
    (user / "noonmark.toml").write_text(GOOD)
    assert find_config(None) == user / "noonmark.toml"
    written(tmp_path, GOOD)
    assert find_config(None) == Path("noonmark.toml")


# --- the environment --------------------------------------------------------------------------------


def test_the_environment_overrides_a_key(tmp_path: Path) -> None:
    config = loaded(
        tmp_path, GOOD, NOONMARK_SITE__LATITUDE_DEG="-31.5", NOONMARK_SOURCES__1__PORT="socket://bridge:4001",
        NOONMARK_POLICY__TIME_LIMIT_S="30", NOONMARK_MOUNT__PORT='"/dev/ttyS9"',
    )  # fmt: skip
    assert config.site.latitude_deg == -31.5
    assert config.sources[1].port == "socket://bridge:4001"
    assert config.policy.time_limit_s == 30.0
    assert config.mount.port == "/dev/ttyS9"


@pytest.mark.parametrize("text", ["2026", "true", "1.5", "2026-11-24", "[1]", "x\nbaud = 300", "a = b"])
def test_where_a_text_belongs_the_environment_gives_a_text(tmp_path: Path, text: str) -> None:
    if "\n" in text:
        error = refusal(tmp_path, GOOD, NOONMARK_SITE__NAME=text)
        assert "control characters" in str(error)
    else:
        assert loaded(tmp_path, GOOD, NOONMARK_SITE__NAME=text).site.name == text


def test_the_environment_can_add_a_section(tmp_path: Path) -> None:
    assert loaded(tmp_path, GOOD, NOONMARK_RECORD__FOLDER=str(tmp_path)).record.folder == str(tmp_path)


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("NOONMARK_SOURCES__2__PORT", "x", ["2 sources", "'2'", "NOONMARK_SOURCES__2__PORT"]),
        ("NOONMARK_SOURCES__X__PORT", "x", ["NOONMARK_SOURCES__X__PORT"]),
        ("NOONMARK_SOURCES__\u00b2__PORT", "x", ["SOURCES"]),
        ("NOONMARK_SOURCES__1", "x", ["number and a key"]),
        ("NOONMARK_MOUNT__PORT__X", "x", ["mount.port", "no table"]),
        ("NOONMARK_MOUNT__BAUDRATE", "9600", ["'mount.baudrate'", "'mount.baud'", "NOONMARK_MOUNT__BAUDRATE"]),
        ("NOONMARK_POLICY__TIME_LIMIT_S", "soon", ["'policy.time_limit_s'", "'soon'", "NOONMARK_POLICY__TIME_LIMIT_S"]),
        ("NOONMARK_POLICY__TIME_LIMIT_S", "true", ["'policy.time_limit_s'", "true or false"]),
        ("NOONMARK___X", "1", ["unknown key"]),
    ],
)
def test_a_wrong_variable_is_named(tmp_path: Path, name: str, value: str, expected: list[str]) -> None:
    error = refusal(tmp_path, GOOD, **{name: value})
    assert all(part in str(error) for part in expected), str(error)


def test_a_variable_of_another_kind_is_left_alone(tmp_path: Path) -> None:
    config = loaded(tmp_path, GOOD, NOONMARK_HOME="x", OTHER_SITE__LATITUDE_DEG="9", NOONMARK="y")
    assert config.site.latitude_deg == -31.8571


# --- every mistake ----------------------------------------------------------------------------------

MISTAKES: list[tuple[str, str, str, list[str]]] = [
    ("not TOML", SITE + "port = = 5", "configuration-not-toml", ["not TOML", "line"]),
    ("huge number", GOOD + "x = " + "9" * 5000, "configuration-not-toml", ["not TOML"]),
    ("tables without end", GOOD + "x = " + "[" * 5000, "configuration-not-toml", ["not TOML"]),
    ("latitude beyond 90", GOOD.replace("-31.8571", "141.6"), "configuration",
     ["'site.latitude_deg'", "-90 to 90", "north positive", "141.6"]),
    ("longitude beyond 360", GOOD.replace("141.6034", "361"), "configuration",
     ["'site.longitude_deg'", "-180 to 180", "east positive", "361"]),
    ("longitude below -180", GOOD.replace("141.6034", "-181"), "configuration", ["'site.longitude_deg'", "-181"]),
    ("latitude not a number", GOOD.replace("-31.8571", "nan"), "configuration", ["'site.latitude_deg'", "finite"]),
    ("longitude without end", GOOD.replace("141.6034", "inf"), "configuration", ["'site.longitude_deg'", "finite"]),
    ("latitude true", GOOD.replace("-31.8571", "true"), "configuration", ["'site.latitude_deg'", "true or false"]),
    ("latitude in words", GOOD.replace("-31.8571", '"south"'), "configuration", ["'site.latitude_deg'", "'south'"]),
    ("elevation absurd", GOOD.replace("212.0", "21200.0"), "configuration", ["'site.elevation_m'", "9000", "21200"]),
    ("unknown zone", GOOD.replace("Broken_Hill", "Brokn_Hill"), "zone-unknown",
     ["'site.timezone'", "Australia/Broken_Hill", "Brokn_Hill"]),
    ("zone of a city alone", GOOD.replace("Australia/Broken_Hill", "Broken Hill"), "zone-unknown",
     ["'site.timezone'", "Australia/Broken_Hill"]),
    ("zone that leaves the folder", GOOD.replace("Australia/Broken_Hill", "../../etc/passwd"), "zone-unknown",
     ["'site.timezone'"]),
    ("zone that can't be there", GOOD.replace("141.6034", "-141.6034"), "zone-implausible",
     ["'site.timezone'", "'site.longitude_deg'", "Australia/Broken_Hill", "-141.6"]),
    ("unknown section", GOOD + "[polcy]\ntime_limit_s = 5\n", "configuration", ["'polcy'", "'policy'"]),
    ("unknown key", GOOD + "[policy]\nclock_tolerance = 5\n", "configuration",
     ["'policy.clock_tolerance'", "'policy.clock_tolerance_s'"]),
    ("unknown key of the site", GOOD.replace("latitude_deg", "latitude"), "configuration", ["site", "latitude"]),
    ("unknown key of a source", GOOD + 'baudrate = 4800\n', "configuration", ["sources.1.baudrate", "'sources.baud'"]),
    ("reserved key", 'path = "x"\n' + GOOD, "configuration", ["'path'"]),
    ("no site", MOUNT + SOURCES, "configuration", ["[site]"]),
    ("site is no table", "site = 5\n" + MOUNT + SOURCES, "configuration", ["[site]"]),
    ("no mount's port", SITE + "[mount]\nbaud = 9600\n" + SOURCES, "configuration", ["'mount.port'", "missing"]),
    ("mount is no table", "mount = 5\n" + SITE + SOURCES, "configuration", ["'mount'", "[mount]"]),
    ("empty port", GOOD.replace('"/dev/ttyUSB0"', '""'), "configuration", ["'mount.port'"]),
    ("control characters", GOOD.replace("/dev/ttyUSB0", "/dev/\\u0000"), "configuration",
     ["'mount.port'", "control characters"]),
    ("no sources", SITE + MOUNT, "configuration", ["'sources'"]),
    ("sources is one table", SITE + MOUNT + '[sources]\nkind = "host"\n', "configuration",
     ["'sources'", "[[sources]]"]),
    ("unknown kind", GOOD.replace('"nmea"', '"gps"'), "configuration",
     ["'sources.1.kind'", "'host', 'nmea' or 'gpsd'", "'gps'"]),
    ("nmea without port", SITE + MOUNT + '[[sources]]\nkind = "host"\n[[sources]]\nkind = "nmea"\n', "configuration",
     ["sources.1", "nmea", "port"]),
    ("gpsd without address", SITE + MOUNT + '[[sources]]\nkind = "host"\n[[sources]]\nkind = "gpsd"\n', "configuration",
     ["sources.1", "gpsd", "address"]),
    ("a mount's port that is no address", GOOD.replace("/dev/ttyUSB0", "ttyUSB0"), "address-invalid",
     ["'mount.port'", "ttyUSB0", "not the address of a line"]),
    ("a bridge without a port number", GOOD.replace("/dev/ttyUSB0", "socket://mount.example"), "address-invalid",
     ["'mount.port'", "socket://mount.example", "a host and a port are needed"]),
    ("a receiver's port that is no address", GOOD.replace("/dev/ttyUSB1", "tcp:/x"), "address-invalid",
     ["'sources.1.port'", "tcp:/x"]),
    ("a daemon's address without a port number", GOOD + '[[sources]]\nkind = "gpsd"\naddress = "localhost"\n',
     "address-invalid", ["'sources.2.address'", "localhost"]),
    ("too few origins", SITE + MOUNT + '[[sources]]\nkind = "host"\n', "too-few-origins",
     ["policy.time_origins_required is 2", "1 origin"]),
    ("two receivers are one origin", GOOD.replace('"host"', '"nmea"\nport = "/dev/x"'), "too-few-origins",
     ["1 origin", "gnss"]),
    ("a host kept by the receiver is its origin",
     GOOD.replace('kind = "host"', 'kind = "host"\ndisciplined_by = "gnss"'), "too-few-origins", ["1 origin", "gnss"]),
    ("too few places", SITE + MOUNT + '[[sources]]\nkind = "host"\n[policy]\ntime_origins_required = 1\n',
     "too-few-origins", ["policy.place_origins_required is 2", "configured site"]),
    ("simulated source for a real mount", GOOD.replace("/dev/ttyUSB1", "sim:receiver"), "simulated-source-real-mount",
     ["sources.1", "sim:receiver", "real mount"]),
    ("baud of nought", GOOD.replace("[mount]\n", "[mount]\nbaud = 0\n"), "configuration", ["'mount.baud'", "300", "0"]),
    ("limit of nought", GOOD + "[policy]\ntime_limit_s = 0\n", "configuration", ["'policy.time_limit_s'", "5"]),
    ("tolerance not a number", GOOD + "[policy]\nclock_tolerance_s = nan\n", "configuration",
     ["'policy.clock_tolerance_s'", "finite"]),
    ("half an origin", GOOD + "[policy]\ntime_origins_required = 1.5\n", "configuration",
     ["'policy.time_origins_required'", "1.5"]),
    ("records at nobody's home", GOOD + '[record]\nfolder = "~nobody-of-that-name/x"\n', "configuration",
     ["'record.folder'", "home"]),
    ("site file and more", GOOD.replace("[site]\n", '[site]\nfile = "site.toml"\n'), "configuration",
     ["[site]", "file", "latitude_deg"]),
    ("site file absent", '[site]\nfile = "away.toml"\n' + MOUNT + SOURCES, "configuration-absent",
     ["away.toml", "no such file"]),
    ("site file is no name", '[site]\nfile = 5\n' + MOUNT + SOURCES, "configuration", ["'site.file'", "5"]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "code", "expected"), [pytest.param(*row[1:], id=row[0]) for row in MISTAKES])
def test_a_mistake_is_told_with_file_key_expectation_and_remedy(
    tmp_path: Path, text: str, code: str, expected: list[str]
) -> None:
    error = refusal(tmp_path, text)
    message = str(error)
    assert str(tmp_path) in message
    assert error.code == code
    assert all(part in message for part in expected), message
    assert error.remedy
    assert "\n" not in message
    assert "\x00" not in message


def test_an_absent_file_is_told_with_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such file") as caught:
        load_config(tmp_path / "away.toml", environment={})
    assert caught.value.code == "configuration-absent"
    assert "noonmark init" in caught.value.remedy


def test_a_folder_is_no_configuration(tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        load_config(tmp_path, environment={})
    assert caught.value.code == "configuration-unreadable"


def test_an_unreadable_file_is_told(tmp_path: Path) -> None:
    file = written(tmp_path, GOOD)
    file.chmod(0)
    was_root = os.geteuid() == 0
    if was_root:
        os.seteuid(65534)  # root reads every file: read it as nobody
    try:
        with pytest.raises(ConfigError, match="Permission denied") as caught:
            load_config(file, environment={})
    finally:
        if was_root:
            os.seteuid(0)
    assert caught.value.code == "configuration-unreadable"
    assert "permission" in caught.value.remedy
    assert str(file) in str(caught.value)


def test_a_file_that_is_not_utf8_is_told_with_the_byte(tmp_path: Path) -> None:
    error = refusal(tmp_path, SITE.replace("Saltbush", "Saltb\xfcsh").encode("latin-1"))
    assert error.code == "configuration-not-toml"
    assert "byte" in str(error)
    assert "UTF-8" in error.remedy


def test_a_mistake_in_a_site_file_names_that_file(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE.replace("-31.8571", "95"))
    error = refusal(tmp_path, '[site]\nfile = "site.toml"\n' + MOUNT + SOURCES)
    assert str(tmp_path / "site.toml") in str(error)
    assert "'site.latitude_deg'" in str(error)


def test_a_dialect_that_does_not_exist_is_a_configuration_error(tmp_path: Path) -> None:
    from noonmark.driver import session

    config = loaded(tmp_path, GOOD, NOONMARK_MOUNT__DIALECT="east-lang", NOONMARK_MOUNT__PORT="sim:")
    with pytest.raises(ConfigError, match="east-long"):
        session.check(config)


def test_a_zone_at_the_edge_of_its_land_is_taken(tmp_path: Path) -> None:
    """Kiritimati keeps +14 at 157 W, Chatham +12:45 at 176 W: odd, and lawful (IANA zone database)."""
    places = (("Pacific/Kiritimati", "1.87", "-157.4"), ("Pacific/Chatham", "-43.95", "-176.5"))
    for zone, latitude, longitude in places:
        text = GOOD.replace("Australia/Broken_Hill", zone).replace("-31.8571", latitude).replace("141.6034", longitude)
        check_zone(loaded(tmp_path, text))


# --- arbitrary data ---------------------------------------------------------------------------------

KEYS = st.sampled_from(
    ["site", "mount", "sources", "policy", "record", "payload", "latitude_deg", "longitude_deg", "timezone", "port",
     "baud", "kind", "dialect", "address", "file", "folder", "time_limit_s", "latency_s", "elevation_m", "name", "path",
     "notes", "x"]
)  # fmt: skip
VALUES = st.recursive(
    st.one_of(
        st.booleans(), st.integers(), st.integers(-200, 400), st.floats(), st.text(max_size=6),
        st.sampled_from(["host", "nmea", "gpsd", "sim:", "sim:receiver", "Australia/Broken_Hill", "~x/y", "/dev/x"]),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(KEYS, inner, max_size=5)),
    max_leaves=12,
)  # fmt: skip


@given(st.dictionaries(KEYS, VALUES, max_size=6))
def test_arbitrary_tables_give_a_configuration_or_the_one_error(data: dict[str, Any]) -> None:
    try:
        assert isinstance(build_config(data, where="x"), Config)
    except ConfigError as error:
        told = escape(str(error), 10_000)
        if not told.startswith("x: ") and "such file" not in told and "read" not in told:
            raise AssertionError(told) from None


GOOD_DATA = tomllib.loads(GOOD)


@given(st.sampled_from(["site", "mount", "policy", "record"]), KEYS, VALUES)
def test_one_arbitrary_value_in_a_good_configuration(section: str, key: str, value: Any) -> None:
    data = {**GOOD_DATA, section: {**GOOD_DATA.get(section, {}), key: value}}
    try:
        config = build_config(data, where="x")
    except ConfigError:
        return
    assert -90.0 <= config.site.latitude_deg <= 90.0
    assert -180.0 <= config.site.longitude_deg <= 180.0


LINES = st.sampled_from(
    [*GOOD.splitlines(), "[policy]", "time_limit_s = 1e400", "file = 'x'", "[record]", "= 1", "[[site]]"]
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(st.one_of(st.binary(max_size=60), st.lists(LINES, max_size=14).map(lambda lines: "\n".join(lines).encode())))
def test_arbitrary_bytes_in_a_file_give_a_configuration_or_the_one_error(tmp_path: Path, content: bytes) -> None:
    file = written(tmp_path, content)
    try:
        load_config(file, environment={})
    except ConfigError as error:
        assert error.code  # noqa: PT017 - the point is that nothing else is raised


NAMES = st.lists(
    st.sampled_from(["SITE", "SOURCES", "0", "1", "9", "PORT", "MOUNT", "LATITUDE_DEG", "", "X"]),
    min_size=1,
    max_size=4,
)


@given(st.dictionaries(NAMES.map(lambda parts: "NOONMARK_" + "__".join(parts)), st.text(max_size=12), max_size=3))
def test_arbitrary_variables_give_data_or_the_one_error(environment: dict[str, str]) -> None:
    try:
        overridden(tomllib.loads(GOOD), environment, "x")
    except ConfigError as error:
        assert "NOONMARK_" in str(error)  # noqa: PT017 - likewise
