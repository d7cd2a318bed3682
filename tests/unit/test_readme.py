"""What README.md shows can be typed as it stands there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from noonmark.driver import cli

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")
CONFIGURATION = (ROOT / "demo" / "noonmark.toml").read_text("utf-8")


def sentence(body: str) -> str:
    """With its checksum: the exclusive or of what stands between $ and * (NMEA 0183)."""
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"${body}*{total:02X}\r\n"


def recording() -> str:
    """70 seconds of a receiver on Saltbush Ridge."""
    place = "3151.42600,S,14136.20400,E"
    return "".join(
        sentence(f"GPRMC,08{second // 60:02d}{second % 60:02d}.00,A,{place},0.0,0.0,241126,,,A")
        + sentence(f"GPGGA,08{second // 60:02d}{second % 60:02d}.00,{place},1,09,0.9,212.0,M,5.0,M,,")
        for second in range(70)
    )


@pytest.mark.parametrize(
    ("line", "told"),
    list(
        zip(
            re.findall(r"^noonmark (explain --(?:mount|aimed).*)$", README, re.MULTILINE),
            ("The offset's sign is reversed", "Daylight saving is missing"),
            strict=True,
        )
    ),
)
def test_the_examples_of_explain_answer_as_one_expects(
    line: str, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "noonmark.toml").write_text(CONFIGURATION)
    monkeypatch.chdir(tmp_path)
    assert cli.run(shlex.split(line)) == 0
    assert capsys.readouterr().out.startswith(told)


def test_the_sheet_and_the_survey_are_had_from_python(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (code,) = (block for block in re.findall(r"```python\n(.*?)```", README, re.DOTALL) if "import brief" in block)
    (tmp_path / "noonmark.toml").write_text(CONFIGURATION)
    (tmp_path / "receiver.nmea").write_text(recording())
    monkeypatch.chdir(tmp_path)
    exec(compile(code, "README.md", "exec"), {})
    out = capsys.readouterr().out
    assert '"schema": "noonmark-brief-1"' in out
    assert out.endswith("-31.85710+141.60340+212/\n")
