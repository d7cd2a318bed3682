"""What goes to stderr beside a result: one line, and with --verbose how the result came about."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from support.virtual import SITE

from noonmark.driver import cli


@pytest.fixture
def config(tmp_path: Path) -> Path:
    site = "\n".join(f"{key} = {json.dumps(value)}" for key, value in SITE.items())
    path = tmp_path / "noonmark.toml"
    path.write_text(
        f'[site]\n{site}\n[mount]\nport = "sim:"\n[[sources]]\nkind = "nmea"\nport = "sim:receiver"\n'
        '[policy]\ntime_origins_required = 1\n[record]\nfolder = "records"\n',
        "utf-8",
    )
    return path


def told(
    capsys: pytest.CaptureFixture[str], config: Path, *options: str
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The document of a `check`, and the lines of its narration."""
    cli.run(["check", "--config", str(config), "--quick", "--json", "--log-format", "json", *options])
    out, err = capsys.readouterr()
    return json.loads(out), [json.loads(line) for line in err.splitlines()]


def test_one_line_tells_how_a_run_ended(capsys: pytest.CaptureFixture[str], config: Path) -> None:
    document, lines = told(capsys, config)
    assert [(one["event"], one["code"], one["exit_status"]) for one in lines] == [
        ("check", document["code"], document["exit_status"])
    ]


def test_verbose_tells_every_claim_wait_and_note_too(capsys: pytest.CaptureFixture[str], config: Path) -> None:
    document, lines = told(capsys, config, "--verbose")
    events = {kind: [one for one in lines if one["event"] == kind] for kind in ("claim", "wait", "note", "check")}
    assert sum(map(len, events.values())) == len(lines)
    assert [one["source"] for one in events["claim"]] == [one["source"] for one in document["truth"]["claims"]] != []
    assert [one["what"] for one in events["wait"]] == [one["what"] for one in document["waits"]] != []
    assert [one["text"] for one in events["note"]] == [one["text"] for one in document["notes"]] != []
    assert len(events["check"]) == 1
