"""What `noonmark explain` answers: one document, the sentence first, for a person and for a script."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from noonmark.driver.escaping import escape
from noonmark.driver.result import CauseValue, SettingRow
from noonmark.driver.version import VERSION

SCHEMA = "noonmark-explanation-1"
Mode = Literal["record", "values", "sighting"]


class SightingPart(BaseModel):
    """The numbers of a sighting; see `sighting_explanation`. Degrees, each error a standard error."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    right_confidence: float
    seen: tuple[dict[str, float], ...]
    solution: dict[str, float | None] | None
    noise_arcmin: float
    axis: str
    synced: bool


class ClockRatePart(BaseModel):
    """Bounds of the rate of the mount's clock, parts in a million; positive gains."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    rate_ppm: tuple[float, float]
    elapsed_s: float


class Document(BaseModel):
    """`reason`: the answer in one sentence. `explanation`: as in a result, the likeliest first; empty where nothing
    is wrong, but for sightings, which leave other causes less likely and not excluded: there `code` tells, and it is
    "nothing-wrong" where that is more likely than not. `notes`: what was assumed, and what this can't tell."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    schema_: str = Field(default=SCHEMA, alias="schema")
    noonmark_version: str = VERSION
    verb: Literal["explain"] = "explain"
    mode: Mode
    exit_status: int = 0
    code: Literal["explained", "nothing-wrong"]
    reason: str
    explanation: tuple[CauseValue, ...]
    settings: tuple[SettingRow, ...] = ()
    sighting: SightingPart | None = None
    clock_rate: ClockRatePart | None = None
    notes: tuple[str, ...] = ()

    def json_text(self) -> str:
        """One JSON document, keys as documented."""
        return self.model_dump_json(by_alias=True, indent=2)


def document(
    mode: Mode, causes: Sequence[CauseValue], *, right: str, settings: Sequence[SettingRow] = (),
    sighting: SightingPart | None = None, clock_rate: ClockRatePart | None = None, notes: Sequence[str] = (),
    reason: str | None = None,
) -> Document:  # fmt: skip
    """`right`: the sentence where nothing is wrong; `reason`: the sentence where it is not the first cause's."""
    return Document(
        mode=mode, code="explained" if causes else "nothing-wrong",
        reason=reason or (causes[0].sentence if causes else right),
        explanation=tuple(causes), settings=tuple(settings), sighting=sighting, clock_rate=clock_rate,
        notes=tuple(notes),
    )  # fmt: skip


# --- for a person -----------------------------------------------------------------------------------


def render(answer: Document) -> str:
    """The sentence first, then the numbers, then what else it may be. Ends with a line end."""
    return "\n".join(escape(line, 2000) for line in _lines(answer)) + "\n"


def _lines(answer: Document) -> Iterator[str]:
    yield answer.reason
    first = answer.explanation[0] if answer.explanation else None
    if first is not None and first.sentence == answer.reason:
        yield from _numbers(first)
        yield f"  what to do: {first.remedy}"
        others = answer.explanation[1:]
    else:
        others = answer.explanation
    if answer.sighting is not None:
        yield from _sighting(answer.sighting)
    if answer.clock_rate is not None:
        low, high = answer.clock_rate.rate_ppm
        yield f"  clock's rate: {low:+.1f} to {high:+.1f} ppm over {answer.clock_rate.elapsed_s / 3600.0:.1f} h"
    if others:
        yield "it could also be:" if first is not None and others is not answer.explanation else "less likely:"
    for one in others:
        yield f"  {one.confidence:.1%}  {' with '.join(one.together or (one.cause,))}: {one.sentence}"
    for note in answer.notes:
        yield f"note: {note}"


def _numbers(first: CauseValue) -> Iterator[str]:
    yield "  " + "; ".join((f"likely to {first.confidence:.1%}", *effects(first)))


def effects(cause: CauseValue) -> Iterator[str]:
    """What a cause does, in numbers: to the hour angle, on the sky, to the meridian flip."""
    if cause.hour_angle_error_deg is not None:
        yield f"hour angle off by {cause.hour_angle_error_deg:+.2f} deg"
    if cause.sky_error_deg is not None:
        yield f"{cause.sky_error_deg:.2f} deg on the sky at the equator"
    if cause.sky_error_at_pointing_deg is not None:
        yield f"{cause.sky_error_at_pointing_deg:.2f} deg where it points"
    if cause.flip_error_min:
        way = "late" if cause.flip_error_min > 0 else "early"
        yield f"the meridian is crossed {abs(cause.flip_error_min):.1f} min too {way}"


def _sighting(part: SightingPart) -> Iterator[str]:
    for number, one in enumerate(part.seen, 1):
        yield (
            f"  sighting {number}: hour angle {one['hour_angle_deg']:+.1f} deg, declination "
            f"{one['declination_deg']:+.1f} deg; found minus aimed: RA {one['found_minus_aimed_ra_deg']:+.2f} deg, "
            f"Dec {one['found_minus_aimed_dec_deg']:+.2f} deg; {one['separation_deg']:.2f} deg on the sky"
        )
    yield f"  that nothing is wrong, and it is the uncertainty of a look: {part.right_confidence:.1%}"
    if part.solution is None:
        return
    yield f"  least squares, {part.solution['rms_deg']:.2f} deg left:"
    for name, key in (("hour angle off by", "hour_angle"), ("axis's north end east by", "axis_east"),
                      ("axis's north end raised by", "axis_raised")):  # fmt: skip
        value, error = part.solution[f"{key}_deg"], part.solution[f"{key}_error_deg"]
        yield f"    {name} {value:+.2f} deg, " + ("not determined" if error is None else f"standard error {error:.2f}")
