"""The versions that a record names: ours, the zones', the Earth orientation table's, the magnetic model's."""

from __future__ import annotations

import importlib.util
from functools import lru_cache
from pathlib import Path

from noonmark.driver import earth_orientation, zones
from noonmark.driver.version import VERSION


@lru_cache(maxsize=1)
def _tables() -> dict[str, str]:
    return {
        "noonmark": VERSION,
        "earth_orientation": earth_orientation.table_version(),
        "earth_orientation_last_day": earth_orientation.table_last_day().isoformat(),
        "magnetic_model": magnetic_model(),
    }


def versions(zone: zones.Zone | None) -> dict[str, str]:
    """Name to version, of everything a result can rely on."""
    return {**_tables(), "zones": f"{zone.version} ({zone.source})" if zone is not None else "not loaded"}


def magnetic_model() -> str:
    """Epoch and name of the newest magnetic model installed, from the first line of its coefficients; the package
    itself, which is slow to load, is left alone."""
    spec = importlib.util.find_spec("pygeomag")
    if spec is None or spec.origin is None:
        return "not installed"
    files = sorted(Path(spec.origin).parent.rglob("WMM_*.COF"))
    epochs = []
    for file in files:
        with file.open(encoding="ascii", errors="replace") as lines:
            epochs.append(" ".join(lines.readline().split()[:2]))
    return max(epochs, default="not installed")
