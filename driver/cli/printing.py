"""Printing to a stdout that may be full, or gone."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterator


class OutputError(Exception):
    """What was found can't be written to stdout."""


@contextlib.contextmanager
def printing() -> Iterator[None]:
    """Print in here. Raises OutputError where stdout takes no more; BrokenPipeError where nobody reads it."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        silence()
        raise OutputError(f"what was found can't be written to stdout: {error.strerror}") from None


def silence() -> None:
    """Nobody takes our output: let the interpreter's last flush not complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


def takes_no_more() -> OutputError | None:
    """Whether it is stdout that failed: one more line end is tried, which cut output and JSON bear alike.
    Raises BrokenPipeError."""
    try:
        with printing():
            sys.stdout.write("\n")
    except OutputError as error:
        return error
    return None


def speak_what_stdout_can(*, json: bool) -> None:
    """A name that the user's character set lacks is printed escaped, and must not end a run. json: RFC 8259, section
    8.1: JSON between programs is UTF-8, whatever the user's character set."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8" if json else None, errors="backslashreplace")


def occupy_standard_descriptors() -> None:
    """Where stdin, stdout or stderr is closed, the next file opened would take its number: a port to a mount must
    never be what a library takes for stderr."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free: this one
    # an interpreter that was started without them has None in their place
    sys.stdout = sys.stdout or os.fdopen(1, "w", encoding="utf-8", closefd=False)
    sys.stderr = sys.stderr or os.fdopen(2, "w", encoding="utf-8", closefd=False)
