"""The record of a run: written atomically, three times, so that after any failure it tells what stands.

Stages: "planned" (earlier settings and plan, before the first write; left so it means "maybe written"),
"written" (after the writes), "finished". A `check` writes once, "finished".
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from noonmark.driver.config import Config

SCHEMA = "noonmark-record-1"
STALE_S = 86400.0  # of a temporary file
KEPT = 500  # records; the oldest are removed beyond it


class RecordError(Exception):
    """The record can't be written, or can't be read. The message names the file and the remedy."""

    def __init__(self, message: str, code: str = "record-not-writable") -> None:
        super().__init__(message)
        self.code = code


def folder_of(config: Config) -> Path:
    """Where this configuration's records go; a relative folder counts from the configuration's own."""
    if config.record.folder:
        folder = Path(config.record.folder).expanduser()
        if not folder.is_absolute() and config.path and Path(config.path).is_file():
            folder = Path(config.path).parent / folder
        return folder
    import platformdirs

    return Path(platformdirs.user_state_dir("noonmark")) / "records"


@dataclass(slots=True)
class Record:
    """One run's record. `path` is its file; `data` what is in it."""

    path: Path
    data: dict[str, Any]

    @property
    def on_disk(self) -> bool:
        """Whether a stage of it was written."""
        try:
            return self.path.exists()
        except OSError:
            return False

    def save(self, stage: str) -> None:
        """Temporary file, fsync, rename, fsync of the folder. Raises RecordError; the former stage then stands."""
        self.data["stage"] = stage
        temporary = self.path.with_name(f".{self.path.name}.{secrets.token_hex(4)}")
        try:
            text = json.dumps(self.data, indent=2, allow_nan=False, default=str) + "\n"
            self.path.parent.mkdir(parents=True, exist_ok=True)
            descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
            try:
                data = text.encode()
                while data:
                    data = data[os.write(descriptor, data) :]
                os.fsync(descriptor)
            finally:
                os.close(descriptor)
            os.replace(temporary, self.path)  # noqa: PTH105
            folder = os.open(self.path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except (OSError, ValueError) as error:  # ValueError: a number that is none, which JSON can't hold
            with contextlib.suppress(OSError, ValueError):
                temporary.unlink()
            why = error.strerror if isinstance(error, OSError) else error
            raise RecordError(
                f"the record {self.path} can't be written: {why}; free space or set [record] folder"
            ) from None


def new_record(folder: Path, verb: str, utc_s: float, about: dict[str, Any]) -> Record:
    """A record not yet on disk, named by a running number, its time and a random tail.

    The number, not the time, orders records: this host's clock may be wrong, and often is after a power cut.
    """
    stamp = (dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=utc_s)).strftime("%Y%m%dT%H%M%S.%fZ")
    earlier = all_records(folder)
    number = _number(earlier[-1]) + 1 if earlier else 1
    path = folder / f"{number:06d}-{stamp}-{verb}-{secrets.token_hex(3)}.json"
    return Record(path, {"schema": SCHEMA, "verb": verb, **about})


def load(path: Path) -> Record:
    """Read a record. Raises RecordError."""
    try:
        data = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise RecordError(f"{path}: no such record", "record-absent") from None
    except OSError as error:
        raise RecordError(f"{path}: can't be read: {error.strerror}", "record-unreadable") from None
    except (ValueError, RecursionError):
        raise RecordError(f"{path}: is no record: not whole JSON", "record-unreadable") from None
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise RecordError(f"{path}: is no record of ours: expected schema {SCHEMA!r}", "record-unreadable")
    return Record(path, data)


def all_records(folder: Path) -> list[Path]:
    """Files of the folder in the order of their running numbers, the newest last."""
    try:
        return sorted((path for path in folder.glob("[0-9]*Z-*.json") if _number(path)), key=_order)
    except OSError:
        return []


def _number(path: Path) -> int:
    """The running number of a record's file, 0 where it bears none."""
    head = path.name.partition("-")[0]
    return int(head) if len(head) >= 6 and head.isascii() and head.isdigit() else 0


def _order(path: Path) -> tuple[int, str]:
    return _number(path), path.name


def newest_utc_s(folder: Path) -> float:
    """UTC of the newest record that established the truth, unix seconds; 0 where there is none."""
    for path in reversed(all_records(folder)):
        try:
            value = load(path).data.get("utc_s")
        except RecordError:
            continue
        if isinstance(value, (int, float)):
            return float(value)
    return 0.0


def latest_restorable(folder: Path, port: str) -> Record:
    """The newest record of a `set` on this port that holds earlier settings. Raises RecordError."""
    skipped = 0
    for path in reversed(all_records(folder)):
        try:
            record = load(path)
        except RecordError:
            skipped += 1
            continue
        if record.data.get("verb") == "set" and record.data.get("port") == port and record.data.get("earlier"):
            return record
    more = f"; {skipped} unreadable were passed over" if skipped else ""
    raise RecordError(f"{folder}: no record of a `set` on {port} holds earlier settings{more}", "record-absent")


def prune(folder: Path, spare: Path, keep: int = KEPT) -> None:
    """Remove the oldest finished records of `check` beyond `keep`; never `spare`, never one that can be restored
    from. Trouble in doing so is no failure of the run."""
    _sweep(folder)
    surplus = len(all_records(folder)) - keep
    for path in all_records(folder):
        if surplus <= 0:
            return
        if path != spare and "-check-" in path.name:
            with contextlib.suppress(OSError):
                path.unlink()
            surplus -= 1


def _sweep(folder: Path) -> None:
    """Remove temporary files of ours that a run left behind which was killed while it wrote, a day ago or more."""
    with contextlib.suppress(OSError):
        newest = folder.stat().st_mtime  # the folder has just been written to: this is now, as its own disk counts it
        for path in folder.glob(".[0-9]*Z-*.json.*"):
            if newest - path.stat().st_mtime > STALE_S:
                path.unlink()
