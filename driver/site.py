"""The surveyed site: where the mount stands."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field, field_validator


def plain(value: object) -> object:
    """A configured value as it came. Raises ValueError for true or false, which no key takes (and which would pass
    for 1 and 0), and for control characters in a text."""
    if isinstance(value, bool):
        raise ValueError("expected a number or a text, not true or false")
    if isinstance(value, str) and any(ord(character) < 32 or 127 <= ord(character) < 160 for character in value):
        raise ValueError("expected a text without control characters")
    return value


class Site(BaseModel):
    """Latitude north positive, longitude EAST positive, elevation in metres above mean sea level, IANA zone.

    A longitude of 180 to 360 is taken and turned into its negative; anything beyond is an error.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(default="", max_length=80)
    latitude_deg: float = Field(allow_inf_nan=False)
    longitude_deg: float = Field(allow_inf_nan=False)
    elevation_m: float = Field(default=0.0, ge=-500.0, le=9000.0, allow_inf_nan=False)
    timezone: str = Field(min_length=1, max_length=64)

    @field_validator("*", mode="before")
    @classmethod
    def _plain(cls, value: object) -> object:
        return plain(value)

    @field_validator("latitude_deg")
    @classmethod
    def _latitude(cls, value: float) -> float:
        if not -90.0 <= value <= 90.0:
            raise ValueError("expected degrees from -90 to 90, north positive (are latitude and longitude swapped?)")
        return value

    @field_validator("longitude_deg")
    @classmethod
    def _longitude(cls, value: float) -> float:
        if not -180.0 <= value <= 360.0:
            raise ValueError("expected degrees from -180 to 180, east positive (0 to 360 is taken too)")
        return value - 360.0 if value > 180.0 else value
