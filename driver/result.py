"""What `check`, `set` and `restore` answer: one frozen value, the same in Python and in JSON."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Outcome = Literal["confirmed", "discrepant", "incomplete", "untrusted", "unreachable", "refused"]
EXIT_STATUS: dict[str, int] = {
    "confirmed": 0,
    "discrepant": 1,
    "untrusted": 3,
    "unreachable": 4,
    "refused": 5,
    "incomplete": 6,
}
EXIT_CONFIGURATION, EXIT_FAULT, EXIT_INTERRUPTED = 2, 70, 130
SCHEMA = "noonmark-result-1"


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", ser_json_inf_nan="null")


class SiteValue(_Model):
    """The surveyed site: latitude north positive, longitude east positive, metres above mean sea level."""

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    timezone: str


class ClaimValue(_Model):
    """What one source said, and whether it is part of the truth (None: it said nothing that counts)."""

    source: str
    origin: str
    kind: Literal["time", "place"]
    agrees: bool | None
    why: str
    cause: str | None = None


class TruthValue(_Model):
    """`utc_interval_s`: UTC minus this host's clock, [low, high]; None where nothing was established."""

    zone_offset_h: float | None
    utc_interval_s: tuple[float, float] | None
    claims: tuple[ClaimValue, ...]
    established: bool
    why: str = ""


class SettingRow(_Model):
    """One setting: `residual` is read minus expected in `unit`; `ok` None where it could not be judged.

    `budget`: the named parts whose sum is `tolerance`.
    """

    name: Literal["latitude", "longitude", "offset", "date", "time", "sidereal"]
    expected: float | str | None
    read: float | str | None
    wire: str | None
    residual: float | None
    unit: Literal["deg", "h", "d", "s"]
    tolerance: float | None
    ok: bool | None
    budget: dict[str, float] = Field(default_factory=dict)


class ClockValue(_Model):
    """Intervals [low, high] in seconds, positive when the mount's clock is ahead."""

    host_error_s: tuple[float, float] | None
    utc_error_s: tuple[float, float] | None
    assumptions: tuple[str, ...] = ()
    fault: str | None = None


class ConventionsValue(_Model):
    """Which manners fit what was read. `resolved`: label to value; `unknown`: labels left open."""

    source: Literal["sidereal-clock", "dialect", "none"]
    resolved: dict[str, str | float | bool]
    unknown: tuple[str, ...]
    candidates: tuple[dict[str, Any], ...]
    proven: bool
    tolerance_s: float | None = None
    text: str = ""


class Planned(_Model):
    """One write that would be sent: `bytes` in hexadecimal, `text` printable."""

    name: str
    bytes: str
    text: str


class CauseValue(_Model):
    """A likely cause, the likeliest first. `confidence` 0 to 1: its share among all that fits and "nothing fits".

    sky_error_deg: how far the tube lands from a target on the celestial equator (where the latitude is wrong, at
    least how far the pole is put wrong); sky_error_at_pointing_deg: at the declination pointed to.
    hour_angle_error_deg: the mount's sidereal time minus the true one, -180 to 180. flip_error_min: the meridian is
    crossed so many minutes too late, negative too early. together: the causes, where it takes two (or where one is
    made of several). indistinguishable: causes that would leave the same values; two at once with a + between.
    source: the source that it is about.
    """

    cause: str
    sentence: str
    sky_error_deg: float | None
    confidence: float
    remedy: str
    hour_angle_error_deg: float | None = None
    sky_error_at_pointing_deg: float | None = None
    flip_error_min: float | None = None
    together: tuple[str, ...] = ()
    indistinguishable: tuple[str, ...] = ()
    source: str | None = None


class Note(_Model):
    """Something a user should know that is no failure: a stable slug and a sentence."""

    note: str
    text: str


class Wait(_Model):
    """A stated wait: what for, and how long it took, seconds of the run's own clock."""

    what: str
    seconds: float


class MountValue(_Model):
    """What the mount says of itself, escaped for any terminal; `status`: kind of mount, tracking, alignment."""

    product: str | None = None
    firmware: str | None = None
    status: str | None = None
    slewing: bool | None = None


class Result(_Model):
    """The outcome of one run. The schema is printed by `noonmark schema`."""

    schema_: str = Field(default=SCHEMA, alias="schema")
    noonmark_version: str
    verb: Literal["check", "set", "restore"]
    outcome: Outcome | None
    exit_status: int
    code: str
    reason: str
    remedy: str = ""
    started_utc: str
    duration_s: float
    site: SiteValue | None = None
    mount: MountValue = MountValue()
    truth: TruthValue | None = None
    settings: tuple[SettingRow, ...] = ()
    clock: ClockValue | None = None
    conventions: ConventionsValue | None = None
    notes: tuple[Note, ...] = ()
    planned: tuple[Planned, ...] = ()
    written: tuple[str, ...] = ()
    unconfirmed: tuple[str, ...] = ()
    untouched: tuple[str, ...] = ()
    explanation: tuple[CauseValue, ...] = ()
    waits: tuple[Wait, ...] = ()
    versions: dict[str, str] = Field(default_factory=dict)
    record: str | None = None

    model_config = ConfigDict(frozen=True, extra="forbid", ser_json_inf_nan="null", populate_by_name=True)

    def json_text(self) -> str:
        """One JSON document, keys as documented."""
        return self.model_dump_json(by_alias=True, indent=2)

    def setting(self, name: str) -> SettingRow | None:
        """The row of that name, None where it was not read."""
        return next((row for row in self.settings if row.name == name), None)
