"""A simulated mount's memory on disk: what it remembers, so that it goes on ticking while nobody runs it.

The clock's anchor is true UTC, so a mount read back hours later has gone on by its battery, drift included.
"""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from pathlib import Path

from noonmark.sim.state import MountState

FORM = "noonmark-simulated-mount-1"


class StateFileError(ValueError):
    """A state file can't be used: the message names the file, what is wrong and the remedy."""


def load_state(path: Path) -> MountState | None:
    """What a mount remembered; None if there is no such file. Raises StateFileError."""
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise StateFileError(f"{path} can't be read: {error}; give another file") from None
    try:
        data = json.loads(text)
        if not isinstance(data, dict) or data.get("form") != FORM or not isinstance(data.get("state"), dict):
            raise ValueError(f"it is not of the form {FORM}")
        return MountState.from_data(data["state"])
    except (ValueError, TypeError) as error:
        raise StateFileError(f"{path} is no state of a simulated mount: {error}; remove it to begin anew") from None


def save_state(path: Path, state: MountState, true_utc_s: float) -> None:
    """Write what a mount remembers: beside the file, then renamed over it. Raises StateFileError."""
    data = {"form": FORM, "saved_at_utc_s": true_utc_s, "state": state.to_data()}
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump(data, file, indent=1)
                file.write("\n")
            Path(name).replace(path)
        except BaseException:
            with contextlib.suppress(OSError):
                Path(name).unlink()
            raise
    except OSError as error:
        raise StateFileError(f"{path} can't be written: {error.strerror}; give a folder that can be written") from None
