"""What can hurt a person, the mount or others, in the order in which it comes up at a pier.

Common practice of the trade, no source; for electricity and light into the sky local law and codes rule, and
a licensed electrician's word goes before ours.
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Caution(BaseModel):
    """A danger and what to do about it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    about: str
    text: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        about="Sun",
        text="Never aim optics, finder included, at it or near it: it blinds at once. Cap them by day.",
    ),
    Caution(
        about="Falling masses",
        text="Weights on before the tube, off after it; stop on the shaft's end; a hand on the tube when a clamp "
        "opens; feet from under.",
    ),
    Caution(
        about="Moving mount",
        text="It starts without warning: fingers, hair, cords away; cables slack for a full turn; a hand at the switch "
        "on the first slew.",
    ),
    Caution(
        about="Mains outdoors",
        text="Residual-current protection, outdoor leads, joints off the ground. Local codes rule; wiring is for a "
        "licensed electrician.",
    ),
    Caution(
        about="Batteries",
        text="Fuse at the terminal; never short them, never charge unattended; lead-acid vents hydrogen, a damaged "
        "lithium cell burns.",
    ),
    Caution(
        about="Dew",
        text="It wets electronics and mains joints as well as glass: cover them, dry unpowered.",
    ),
    Caution(
        about="Lasers",
        text="Never towards aircraft, vehicles, people; local law may forbid any into the sky.",
    ),
    Caution(
        about="Paved ground",
        text="Asphalt and concrete give off heat for hours and blur the view; grass does not.",
    ),
)
