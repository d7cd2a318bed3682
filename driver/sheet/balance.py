"""Where on the shaft the counterweights come to, and what a slip of them leaves.

Moments about the polar axis: what the tube's side weighs, at its distance, against the shaft and its weights.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

GRAVITY_M_S2 = 9.80665
"""Standard gravity (3rd CGPM, 1901)."""


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Load(_Model):
    """Something on the tube's side: its mass, and the distance of its centre of mass from the polar axis."""

    name: str = Field(min_length=1, max_length=40)
    mass_kg: float = Field(gt=0, le=1000, allow_inf_nan=False)
    distance_mm: float = Field(ge=0, le=5000, allow_inf_nan=False)


class Payload(_Model):
    """The masses of a mount, as `[payload]` has them.

    Distances are from the polar axis. The common centre of the weights can stand from `shaft_from_mm` to
    `shaft_to_mm`. `capacity_kg` is what the mount's maker states; common practice (no source) counts the load
    against it and not the weights.
    """

    loads: tuple[Load, ...] = Field(min_length=1)
    weights_kg: tuple[float, ...] = Field(min_length=1)
    shaft_from_mm: float = Field(ge=0, le=5000, allow_inf_nan=False)
    shaft_to_mm: float = Field(gt=0, le=5000, allow_inf_nan=False)
    shaft_mass_kg: float = Field(default=0.0, ge=0, le=1000, allow_inf_nan=False)
    shaft_centre_mm: float = Field(default=0.0, ge=0, le=5000, allow_inf_nan=False)
    capacity_kg: float | None = Field(default=None, gt=0, le=10000, allow_inf_nan=False)

    @model_validator(mode="after")
    def _sensible(self) -> Payload:
        if self.shaft_to_mm <= self.shaft_from_mm:
            raise ValueError("shaft_to_mm must be larger than shaft_from_mm: both count from the polar axis")
        if any(not 0.0 < mass <= 1000.0 for mass in self.weights_kg):
            raise ValueError("weights_kg: each weight must be above 0 and at most 1000 kg")
        if self.shaft_mass_kg > 0.0 and self.shaft_centre_mm == 0.0:
            raise ValueError("shaft_mass_kg needs shaft_centre_mm: the shaft's centre of mass from the polar axis")
        return self


class Balance(_Model):
    """Where the weights' common centre goes (`weights_at_mm` from the polar axis), and what follows.

    `fit`: "fits"; "too-light": even at the shaft's end the tube's side is heavier, by `lacking_kg` placed
    there; "too-heavy": even at its beginning the weights are, by `surplus_kg`. Torque in newton metres.
    """

    fit: Literal["fits", "too-light", "too-heavy"]
    load_kg: float
    weights_kg: float
    total_kg: float
    weights_at_mm: float
    torque_per_mm_nm: float
    lacking_kg: float
    surplus_kg: float
    share_of_capacity: float | None


def balance(payload: Payload) -> Balance:
    """Solve the moments. `weights_at_mm` may lie off the shaft: `fit` says so."""
    load_kg = sum(load.mass_kg for load in payload.loads)
    weights_kg = sum(payload.weights_kg)
    moment_kg_mm = sum(load.mass_kg * load.distance_mm for load in payload.loads)
    moment_kg_mm -= payload.shaft_mass_kg * payload.shaft_centre_mm
    at_mm = moment_kg_mm / weights_kg
    fit: Literal["fits", "too-light", "too-heavy"] = "fits"
    lacking = surplus = 0.0
    if at_mm > payload.shaft_to_mm:
        fit, lacking = "too-light", moment_kg_mm / payload.shaft_to_mm - weights_kg
    elif at_mm < payload.shaft_from_mm:
        fit = "too-heavy"
        surplus = weights_kg - max(0.0, moment_kg_mm) / payload.shaft_from_mm
    return Balance(
        fit=fit,
        load_kg=load_kg,
        weights_kg=weights_kg,
        total_kg=load_kg + weights_kg + payload.shaft_mass_kg,
        weights_at_mm=at_mm,
        torque_per_mm_nm=weights_kg * GRAVITY_M_S2 / 1000.0,
        lacking_kg=lacking,
        surplus_kg=surplus,
        share_of_capacity=None if payload.capacity_kg is None else load_kg / payload.capacity_kg,
    )
