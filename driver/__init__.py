"""Bring a motorised telescope mount from power-on to proven place, UTC and offset.

The faces: `load_config`, `check`, `set_mount`, `restore`. Each takes a configuration (and seams, where a caller
injects time and bytes) and returns one frozen `Result`. Loaded on first use, so that importing the package is cheap.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from noonmark.driver.version import VERSION as __version__  # noqa: N811

if TYPE_CHECKING:
    from noonmark.driver.config import Config, ConfigError, load_config
    from noonmark.driver.result import Result
    from noonmark.driver.seams import Seams
    from noonmark.driver.session import check, restore, set_mount
    from noonmark.driver.site import Site

_FACES = {
    "Config": "config",
    "ConfigError": "config",
    "load_config": "config",
    "Result": "result",
    "Seams": "seams",
    "Site": "site",
    "check": "session",
    "set_mount": "session",
    "restore": "session",
}

__all__ = [
    "Config",
    "ConfigError",
    "Result",
    "Seams",
    "Site",
    "__version__",
    "check",
    "load_config",
    "restore",
    "set_mount",
]


def __getattr__(name: str) -> Any:
    if name in _FACES:
        from importlib import import_module

        return getattr(import_module(f"noonmark.driver.{_FACES[name]}"), name)
    raise AttributeError(f"module 'noonmark.driver' has no attribute {name!r}")
