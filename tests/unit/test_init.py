"""`noonmark init` writes a configuration that works once its gaps are filled, and the README shows one that does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from noonmark.driver.cli.init import init
from noonmark.driver.config import Config, ConfigError, build_config, load_config, read_toml

ROOT = Path(__file__).resolve().parents[2]

# An invented place (demo: Saltbush Ridge).
FILLED = ["--latitude", "-31.8571", "--longitude", "141.6034", "--timezone", "Australia/Broken_Hill"]


def initialised(folder: Path, *options: str) -> Path:
    file = folder / "noonmark.toml"
    done = CliRunner().invoke(init, [str(file), *options], standalone_mode=False)
    assert done.exception is None, done.exception
    return file


def test_what_init_writes_is_taken_with_the_gaps_filled_and_holds_the_defaults(tmp_path: Path) -> None:
    file = initialised(tmp_path, *FILLED, "--port", "/dev/ttyUSB0", "--receiver", "/dev/ttyUSB1")
    config = load_config(file, environment={})
    assert (config.site.latitude_deg, config.site.longitude_deg) == (-31.8571, 141.6034)
    bare = build_config(
        {
            "site": {"latitude_deg": -31.8571, "longitude_deg": 141.6034, "timezone": "Australia/Broken_Hill"},
            "mount": {"port": "/dev/ttyUSB0"},
            "sources": [{"kind": "host"}, {"kind": "nmea", "port": "/dev/ttyUSB1"}],
        },
        where=str(file),
    )
    assert config == bare, "every value shown is the default"


def test_what_init_leaves_open_is_named_and_not_guessed(tmp_path: Path) -> None:
    file = initialised(tmp_path)
    with pytest.raises(ConfigError, match=r"'site\.latitude_deg'"):
        load_config(file, environment={})


def test_the_lines_commented_out_are_taken_too(tmp_path: Path) -> None:
    file = initialised(tmp_path, *FILLED)
    commented = re.compile(r"^# (?=\[|[a-z_]+ += )(?!disciplined_by)")  # which takes the host's voice away
    opened = [commented.sub("", line) for line in file.read_text("utf-8").splitlines()]
    file.write_text("\n".join(opened))
    assert {"payload", "policy"} <= set(read_toml(file))
    assert [source.kind for source in load_config(file, environment={}).sources] == ["host", "nmea", "gpsd"]


def test_the_readme_s_configuration_is_taken_and_its_values_are_the_defaults(tmp_path: Path) -> None:
    blocks = re.findall(r"```toml\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
    (text,) = (block for block in blocks if "[policy]" in block)
    file = tmp_path / "noonmark.toml"
    file.write_text(text, "utf-8")
    config = load_config(file, environment={})
    assert config.policy == Config.model_fields["policy"].default
    assert config.record == Config.model_fields["record"].default
