"""A result for a person: what was found, what is likely wrong, what was written, what proves it."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable

from noonmark.driver.escaping import escape
from noonmark.driver.reasons.explain_document import effects
from noonmark.driver.result import Result, SettingRow
from noonmark.protocols import sexagesimal

WORDS = {
    "confirmed": "CONFIRMED",
    "discrepant": "DISCREPANT",
    "incomplete": "INCOMPLETE",
    "untrusted": "UNTRUSTED",
    "unreachable": "UNREACHABLE",
    "refused": "REFUSED",
    None: "INTERRUPTED",
}


def show(result: Result) -> None:
    """Print to stdout; coloured only on a terminal, and not where NO_COLOR is set."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    class Printer(Console):
        def on_broken_pipe(self) -> None:
            raise BrokenPipeError  # its own way ends us with status 1: `discrepant`

    colour = sys.stdout.isatty() and not os.environ.get("NO_COLOR")
    console = Printer(
        color_system="auto" if colour else None,  # None: no bold either, not an escape sequence
        highlight=False, soft_wrap=True, width=None if sys.stdout.isatty() else 100,
    )  # fmt: skip
    good = result.exit_status == 0
    style = "bold green" if good else "bold red"
    console.print(Text(f"{WORDS[result.outcome]}: {_plain(result.reason)}", style=style))
    if result.remedy and not good:
        console.print(Text(f"  what to do: {_plain(result.remedy)}"))
    if result.explanation and result.outcome != "confirmed":
        console.print(Text("likely cause:"))
        for number, cause in enumerate(result.explanation[:6]):
            console.print(Text(f"  {_plain(cause.sentence)}"))
            if told := "; ".join(effects(cause)):
                console.print(Text(f"    {told}"))
            if number == 0 or cause.source is not None:
                console.print(Text(f"    what to do: {_plain(cause.remedy)}"))
    if result.settings:
        table = Table(box=None, pad_edge=False, header_style="bold")
        for name, justify in (("setting", "left"), ("expected", "right"), ("read", "right"),
                              ("residual", "right"), ("tolerance", "right"), ("", "left")):  # fmt: skip
            table.add_column(name, justify=justify, no_wrap=True)  # type: ignore[arg-type]
        for row in result.settings:
            table.add_row(*_cells(row))
        console.print(table)
    for line in _lines(result):
        console.print(Text(line))


def _plain(text: str) -> str:
    return escape(text, 2000)


def _cells(row: SettingRow) -> tuple[str, ...]:
    mark = {True: "ok", False: "WRONG", None: "not judged"}[row.ok]
    residual = (
        ""
        if row.residual is None
        else f"{row.residual:+.3f} {row.unit}"
        if row.unit != "d"
        else f"{row.residual:+.0f} d"
    )
    tolerance = (
        ""
        if row.tolerance is None
        else f"{row.tolerance:.3f} {row.unit}"
        if row.unit != "d"
        else f"{row.tolerance:.0f} d"
    )
    return row.name, _value(row, row.expected), _value(row, row.read), residual, tolerance, mark


def _value(row: SettingRow, value: float | str | None) -> str:
    if value is None:
        return f"({row.wire})" if value is row.read and row.wire else ""
    if isinstance(value, str):
        return value
    if row.name == "latitude":
        return ("N " if value >= 0 else "S ") + sexagesimal.text(abs(value), digits=2, plus=False)
    if row.name == "longitude":
        return ("E " if value >= 0 else "W ") + sexagesimal.text(abs(value), digits=3, plus=False)
    if row.name == "offset":
        return "UTC" + sexagesimal.text(value, digits=2, seconds=False)
    return f"{value:g}"


def _lines(result: Result) -> Iterable[str]:
    if result.truth is not None:
        for claim in result.truth.claims:
            said = {True: "agrees", False: "DISAGREES", None: "abstains"}[claim.agrees]
            yield f"{claim.kind} by {claim.source} ({claim.origin}): {said}" + (
                f"; {_plain(claim.why)}" if claim.why else ""
            )
    clock = result.clock
    if clock is not None and clock.utc_error_s is not None and max(map(abs, clock.utc_error_s)) < 86400:
        low, high = clock.utc_error_s
        yield f"clock: {(low + high) / 2:+.3f} s from UTC, {low:+.3f} to {high:+.3f}"
    if clock is not None and clock.fault:
        yield f"clock: {_plain(clock.fault)}"
    if result.conventions is not None and result.conventions.text:
        yield f"this mount: {_plain(result.conventions.text)}"
    if result.planned and not result.written:
        yield "would be written:"
        for one in result.planned:
            yield f"  {one.name}: {_plain(one.text)}"
    if result.written:
        yield "written and read back: " + ", ".join(result.written)
    if result.unconfirmed:
        yield "written and NOT confirmed: " + ", ".join(result.unconfirmed)
        yield "untouched: " + (", ".join(result.untouched) or "none")
    for note in result.notes:
        yield f"note: {_plain(note.text)}"
    if result.outcome == "confirmed" and result.verb != "restore":
        row = result.setting("sidereal")
        if row is not None and row.residual is not None and row.tolerance is not None:
            yield (
                f"proof: the mount's sidereal time is {row.residual:+.1f} s from ours, within {row.tolerance:.1f} s; "
                "no other convention would give it for these values"
            )
    if result.waits:
        told = ", ".join(f"{one.what} {one.seconds:.1f} s" for one in result.waits)
        yield f"took {result.duration_s:.1f} s: {told}"
    if result.record:
        yield f"record: {_plain(result.record)}"
