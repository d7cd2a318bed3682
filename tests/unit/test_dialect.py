"""How a family of mounts speaks, as data: the shipped dialects, a user's file, and every mistake in one."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.driver.cli import run
from noonmark.driver.cli.dialects import as_toml
from noonmark.driver.config import ConfigError
from noonmark.driver.dialects import known, resolve, shipped
from noonmark.protocols.dialect import (
    SETTING_NAMES,
    USUAL,
    Dialect,
    DialectError,
    build_dialect,
    known_keys,
    parse_dialect,
)

SHIPPED = sorted(shipped())


def files() -> list[str]:
    folder = resources.files("noonmark.protocols").joinpath("dialects")
    return sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".toml"))


# --- the shipped ones -------------------------------------------------------------------------------


def test_every_shipped_file_is_loaded_under_its_own_name() -> None:
    assert {name.removesuffix(".toml") for name in files()} | {"usual"} == set(SHIPPED)


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_dialect_says_what_it_does(name: str) -> None:
    dialect = shipped()[name]
    assert dialect.name == name
    assert dialect.summary.endswith(".")
    assert len(dialect.summary) > 15
    assert dialect.product_pattern == ""  # it names a manner, never a maker


# A word of each name, and the one key that must then differ from the usual manner.
NAMED_FOR: dict[str, Callable[[Dialect], bool]] = {
    "east": lambda d: d.longitude.positive == "east",
    "west": lambda d: d.longitude.positive == "west",
    "signed": lambda d: d.longitude.range == "-180..180",
    "long": lambda d: d.coordinates.written == "second",
    "from-utc": lambda d: d.offset.sense == "from-utc",
    "end-mark": lambda d: d.acknowledgement == "end-mark",
    "silent": lambda d: d.acknowledgement == "none",
    "slow-date": lambda d: d.date.blocks_s > 0 and d.date.notices > 0,
    "whole-hours": lambda d: d.offset.format == "hours",
    "day-first": lambda d: d.date.order == "dmy",
    "daylight-hour": lambda d: d.clock.daylight_hour,
    "clock-on-utc": lambda d: d.clock.holds == "utc",
    "utc-as-local": lambda d: d.clock.local_is_utc,
    "usual": lambda d: d.longitude.positive == "west" and d.offset.sense == "to-utc",
}


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_dialect_is_named_for_what_it_does(name: str) -> None:
    dialect = shipped()[name]
    claims = [word for word in NAMED_FOR if re.search(rf"(^|-){word}(-|$)", name)]
    assert claims, f"what does the name {name} promise?"
    assert all(NAMED_FOR[word](dialect) for word in claims)


def test_no_two_shipped_dialects_speak_alike() -> None:
    plain = [dialect.model_dump(exclude={"name", "summary"}) for dialect in shipped().values()]
    assert all(first != second for index, first in enumerate(plain) for second in plain[:index])


@pytest.mark.parametrize("name", SHIPPED)
def test_a_dialect_printed_reads_back_the_same(name: str) -> None:
    dialect = shipped()[name]
    assert parse_dialect(as_toml(dialect), "printed") == dialect


# --- a user's file ----------------------------------------------------------------------------------


def test_every_key_left_out_is_the_usual_manner() -> None:
    assert parse_dialect('name = "bare"', "x") == USUAL.model_copy(update={"name": "bare", "summary": ""})


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('name = "x"\nacknowledgment = "none"', ["unknown key 'acknowledgment'", "'acknowledgement'"]),
        ('name = "x"\n[longitude]\npositiv = "east"', ["unknown key 'longitude.positiv'", "'longitude.positive'"]),
        ('name = "x"\n[ofset]\nformat = "hours"', ["unknown key 'ofset'", "'offset'"]),
        ('name = "x"\n[date]\nyear_digit = 4', ["unknown key 'date.year_digit'", "'date.year_digits'"]),
        ('name = "x"\n[longitude]\npositive = "est"', ["'longitude.positive'", "'west' or 'east'", "'est'"]),
        ('name = "x"\n[offset]\nformat = "hour"', ["'offset.format'", "nearest: 'hours'"]),
        ('name = "x"\n[offset]\nlimit_h = 25', ["'offset.limit_h'", "less than or equal to 24", "25"]),
        ('name = "x"\n[date]\nblocks_s = -1.0', ["'date.blocks_s'", "greater than or equal to 0"]),
        ('name = "x"\n[date]\nnotices = 3', ["'date.notices'", "3"]),
        ('name = "x"\n[clock]\ndaylight_hour = 1', ["'clock.daylight_hour'", "boolean"]),
        ('name = "Not A Slug"', ["'name'"]),
        ('summary = "nameless"', ["'name' is missing"]),
        ('name = "x"\nwrite_order = ["time", "date"]', ["write_order", "longitude, latitude, offset, date, time"]),
        ('name = "x"\nwrite_order = ["time", "time", "date", "offset", "latitude"]', ["write_order"]),
        ('name = "x"\nlongitude = 5', ["'longitude'"]),
        ('name = "x"\n[offset]\nlimit_h = nan', ["'offset.limit_h'"]),
        ('name = "x"\n[deadlines]\nother_s = inf', ["'deadlines.other_s'"]),
        ('name = "x"\nproduct_pattern = "("', ["'product_pattern' must be a regular expression"]),
        ("name = ", ["not TOML"]),
        ("x" * 10, ["not TOML"]),
    ],
)
def test_a_mistake_is_told_with_its_key_and_what_was_expected(text: str, expected: list[str]) -> None:
    with pytest.raises(DialectError) as caught:
        parse_dialect(text, "mine.toml")
    message = str(caught.value)
    assert message.startswith("mine.toml")
    assert all(part in message for part in expected), message
    assert "\n" not in message or "not TOML" in message


def test_an_unknown_name_names_the_nearest() -> None:
    with pytest.raises(ConfigError, match="nearest known is 'east-long'") as caught:
        resolve("east-lang")
    assert caught.value.code == "dialect-absent"
    assert caught.value.remedy


def test_a_dialect_file_is_found_beside_the_configuration(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('name = "mine"\n[longitude]\npositive = "east"\n')
    assert resolve("mine.toml", tmp_path).longitude.positive == "east"


@pytest.mark.parametrize(
    ("content", "code"), [(None, "dialect-absent"), (b"\xff\xfe", "dialect-wrong"), (b"name = 5", "dialect-wrong")]
)
def test_a_dialect_file_that_will_not_do_is_a_configuration_error(
    tmp_path: Path, content: bytes | None, code: str
) -> None:
    file = tmp_path / "mine.toml"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(ConfigError) as caught:
        resolve(str(file))
    assert caught.value.code == code
    assert str(file) in str(caught.value)


@pytest.mark.parametrize("name", ["", ".toml", "/", "~nobody-of-that-name/x.toml", "a/../b", "/dev/null/x.toml"])
def test_an_odd_name_is_a_configuration_error(name: str) -> None:
    with pytest.raises(ConfigError):
        resolve(name)


def test_a_shipped_dialect_is_never_replaced(monkeypatch: pytest.MonkeyPatch) -> None:
    other = USUAL.model_copy(update={"name": "east-long"})
    monkeypatch.setattr("noonmark.driver.dialects.contributed", lambda: {"east-long": other, "theirs": other})
    assert known()["east-long"] == shipped()["east-long"]
    assert known()["theirs"] == other


# --- what other packages bring ----------------------------------------------------------------------

THEIRS = """
GOOD = 'name = "theirs"\\nsummary = "Theirs."\\n[longitude]\\npositive = "east"'
WRONG = 'name = "wrong"\\n[offset]\\nformt = "hours"'
NUMBER = 5
"""
POINTS = {"theirs": "GOOD", "wrong": "WRONG", "number": "NUMBER", "absent": "NOTHING"}


@pytest.fixture
def other_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A package with one good dialect among bad ones, as installed."""
    rows = [f"{name} = their_dialects:{value}" for name, value in POINTS.items()]
    info = tmp_path / "their_dialects-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: their-dialects\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("\n".join(["[noonmark.dialects]", *rows, "gone = no_such_module:X", ""]))
    (tmp_path / "their_dialects.py").write_text(THEIRS)
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.delitem(sys.modules, "their_dialects", raising=False)


@pytest.mark.usefixtures("other_package")
def test_another_packages_dialect_is_found_by_its_entry_point() -> None:
    assert resolve("theirs").longitude.positive == "east"
    assert set(known()) - set(shipped()) == {"theirs"}


@pytest.mark.usefixtures("other_package")
@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("gone", ["no_such_module", "ModuleNotFoundError"]),
        ("absent", ["NOTHING", "AttributeError"]),
        ("number", ["expected a Dialect or TOML text, not int"]),
        ("wrong", ["'offset.formt'", "'offset.format'"]),
    ],
)
def test_another_packages_broken_dialect_is_a_configuration_error(name: str, expected: list[str]) -> None:
    with pytest.raises(ConfigError) as caught:
        resolve(name)
    assert caught.value.code == "dialect-wrong"
    assert all(part in str(caught.value) for part in [f"entry point {name} ", "in their-dialects", *expected])


@pytest.mark.usefixtures("other_package")
def test_another_packages_broken_dialect_hides_no_other(capsys: pytest.CaptureFixture[str]) -> None:
    for name in SHIPPED:
        assert resolve(name) == shipped()[name]
    with pytest.raises(ConfigError, match="nearest known is 'theirs'"):
        resolve("Theirz")
    assert run(["dialects"]) == 0
    told = capsys.readouterr()
    assert {line.split()[0] for line in told.out.splitlines()} == {"auto", "theirs", *SHIPPED}
    assert len(told.err.splitlines()) == 4
    assert "'offset.format'" in told.err


# --- the verb ---------------------------------------------------------------------------------------


def test_auto_is_listed_and_said_to_be_no_dialect(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["dialects", "auto"]) == 2
    told = capsys.readouterr().err
    assert "'auto' is no dialect" in told
    assert "nearest" not in told


def test_every_key_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["dialects", "usual"]) == 0
    table, printed = "", set()
    for line in capsys.readouterr().out.splitlines():
        if line.startswith("["):
            table = line.strip("[]") + "."
        elif " = " in line:
            printed.add(table + line.removeprefix("# ").split(" = ")[0])
    assert printed == set(known_keys())


# --- arbitrary text ---------------------------------------------------------------------------------

LINES = st.sampled_from(
    [
        'name = "x"', 'name = ""', "name = 5", "[longitude]", "[offset]", "[date]", "[clock]", "[coordinates]",
        "[deadlines]",
        'positive = "east"', 'positive = "up"', "limit_h = 14", "limit_h = nan", "limit_h = 1e400", "year_digits = 2",
        "year_digits = 2.0", "notices = true", "blocks_s = 5", "write_order = []", 'write_order = [1, "date"]',
        'write_order = ["longitude", "latitude", "offset", "date", "time"]', "write_order = {a = 1}",
        'zzz = "y"', "[[longitude]]",
        'range = "0..360"', 'summary = "\\u0000"', "date_s = 0", "other_s = inf", "= 5", "",
    ]
)  # fmt: skip
TEXTS = st.one_of(st.text(max_size=60), st.lists(LINES, max_size=8).map("\n".join))


@given(TEXTS)
def test_arbitrary_text_gives_a_dialect_or_the_one_error(text: str) -> None:
    try:
        assert isinstance(parse_dialect(text, "x"), Dialect)
    except DialectError as error:
        told = str(error)
        if not told:
            raise AssertionError("an error without a word") from None


PLAIN = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5), st.sampled_from(SETTING_NAMES)
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=5), st.dictionaries(st.text(max_size=5), inner, max_size=3)),
    max_leaves=8,
)


@given(st.dictionaries(st.sampled_from([key.split(".")[0] for key in known_keys()]), PLAIN, max_size=6))
def test_arbitrary_data_gives_a_dialect_or_the_one_error(data: dict[str, Any]) -> None:
    try:
        dialect = build_dialect(data, "x")
    except DialectError:
        return
    assert sorted(dialect.write_order) == sorted(SETTING_NAMES)


def test_tables_without_end_are_the_one_error() -> None:
    with pytest.raises(DialectError):
        parse_dialect("a = " + "[" * 5000, "x")
    with pytest.raises(DialectError):
        parse_dialect("a = " + "9" * 5000, "x")
