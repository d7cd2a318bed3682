"""What one run of the campaign is made of, as plain data drawn by chance: dialect, site, date, initial state, sources
and faults. A case is JSON, so that a failing one can be printed, made smaller and run again.

Sites are the principal places of the IANA zones (zone1970.tab of the package tzdata: open data), moved about a little,
and places that are hard: the meridians of 0 and 180 degrees, the equator, the Antarctic.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import json
import random
import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any
from zoneinfo import TZPATH, ZoneInfo

import tzdata  # type: ignore[import-untyped]

from noonmark.sim.faults import FAULTS

SALTBUSH: dict[str, Any] = {
    "latitude_deg": -31.8571,
    "longitude_deg": 141.6034,
    "elevation_m": 212.0,
    "timezone": "Australia/Broken_Hill",
}
NIGHT = dt.datetime(2026, 11, 25, 12, 34, 56, 250_000, tzinfo=dt.UTC)
FIRST, LAST = dt.datetime(2026, 11, 26, tzinfo=dt.UTC), dt.datetime(2040, 12, 31, tzinfo=dt.UTC)
EDGES: tuple[tuple[float, float, str], ...] = (
    (51.4779, 0.0, "Europe/London"), (-16.8, 180.0, "Pacific/Fiji"), (-16.9, -179.99, "Pacific/Fiji"),
    (0.0, -78.5, "America/Guayaquil"), (0.005, 32.5, "Africa/Nairobi"), (-0.004, 36.8, "Africa/Nairobi"),
    (-89.9, 0.0, "Antarctica/McMurdo"), (82.5, -62.35, "America/Iqaluit"), (12.1348, 15.0557, "Africa/Ndjamena"),
    (55.7558, 37.6173, "Europe/Moscow"), (1.4518, 172.9717, "Pacific/Tarawa"), (5.6, -0.004, "Africa/Abidjan"),
)  # fmt: skip
ZONES_OF_NOTE = (  # half an hour, two hours, quarter hours, a change at midnight, with the moon, the date line
    "Australia/Lord_Howe", "Antarctica/Troll", "Pacific/Chatham", "Africa/Cairo", "Africa/Casablanca", "Pacific/Kiritimati",
    "America/Nuuk", "America/St_Johns", "Asia/Kathmandu", "Australia/Eucla", "Asia/Beirut", "America/Havana", "Pacific/Apia",
)  # fmt: skip


@dataclass(frozen=True)
class FaultDraw:
    """A fault by its spec, `name` or `name:amount`. first: the opportunity at which it strikes for sure, where it is a
    fault that strikes by chance (None: as its seed has it, one of the first four)."""

    spec: str
    first: int | None = None

    @property
    def name(self) -> str:
        return self.spec.partition(":")[0]


@dataclass(frozen=True)
class Case:
    """One run. site: the true place and its zone; configured: what the configuration says where that is another one.

    start: kind, and what goes with it. host: discipline ("kept", "unbounded", "free", "unknown"), error_s, and events
    [[seconds after the start, "step" or "sleep", seconds]]. receivers: options, latency and faults of each.
    kind: "plain" (the conditions under which a fault's row promises outcomes), "harmless" or "wild".
    """

    number: str
    kind: str = "plain"
    verb: str = "set"
    then: str = ""
    site: dict[str, Any] = field(default_factory=lambda: dict(SALTBUSH))
    configured: dict[str, Any] = field(default_factory=dict)
    utc: str = NIGHT.isoformat()
    start: dict[str, Any] = field(default_factory=lambda: {"kind": "factory"})
    dialect: dict[str, Any] = field(default_factory=dict)
    told: str = "auto"
    quirks: dict[str, Any] = field(default_factory=dict)
    line: dict[str, Any] = field(default_factory=dict)
    host: dict[str, Any] = field(default_factory=lambda: {"discipline": "kept"})
    receivers: tuple[dict[str, Any], ...] = ({},)
    policy: dict[str, Any] = field(default_factory=dict)
    faults: tuple[FaultDraw, ...] = ()
    seed: int = 1

    @property
    def all_faults(self) -> tuple[FaultDraw, ...]:
        """Those of the mount and its line, then the receivers'."""
        said = tuple(FaultDraw(spec) for one in self.receivers for spec in one.get("faults", ()))
        return self.faults + said

    def to_json(self) -> str:
        """On one line, without what is as by default."""
        plain = Case("")
        data = {
            key: value for key, value in dataclasses.asdict(self).items() if value != dataclasses.asdict(plain)[key]
        }
        return json.dumps(data, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> Case:
        """From what `to_json` gave."""
        data = json.loads(text)
        if "faults" in data:
            data["faults"] = tuple(FaultDraw(**one) for one in data["faults"])
        if "receivers" in data:
            data["receivers"] = tuple(data["receivers"])
        return cls(**data)


def draw(seed: int, index: int) -> Case:
    """Case number `index` of a campaign: always the same one."""
    dice = random.Random(f"campaign/{seed}/{index}")
    kind = dice.choices(("plain", "harmless", "wild"), (35, 12, 53))[0]
    case = Case(f"{seed}/{index}", kind, site=draw_site(dice), seed=dice.randrange(10**6), dialect=_dialect(dice))
    case = dataclasses.replace(case, utc=_utc(dice, case.site["timezone"]).isoformat())
    return {"plain": _plain, "harmless": _harmless, "wild": _wild}[kind](case, dice)


# --- three kinds of runs -----------------------------------------------------------------------------


def _plain(case: Case, dice: random.Random) -> Case:
    """A fault as its row describes it, or none: on a mount fresh from the works, or at the check of a right one."""
    name = dice.choice([*FAULTS, None, None, None])
    verb = "check" if dice.random() < 0.15 else "set"
    start = {"kind": "right"} if verb == "check" else {"kind": "factory"}
    told = "declared" if dice.random() < 0.25 else "auto"
    return _with_fault(dataclasses.replace(case, verb=verb, start=start, told=told, then=_then(dice, 0.2)), name)


def _with_fault(case: Case, name: str | None) -> Case:
    if name is None:
        return case
    if FAULTS[name].kind == "receiver":
        return dataclasses.replace(case, receivers=({"faults": [name]},))
    return dataclasses.replace(case, faults=(FaultDraw(name),))


# What a good line does to a good mount once in a while; amount 0 of a chance: once in the whole run.
HARMLESS = ("late:1.2", "late:0.5", "drops-said:0", "drops-heard:0", "flips-said:0", "flips-heard:0", "noise:0",
            "drops-bytes:0", "doubles-bytes:0")  # fmt: skip
REPLIES_OF_A_RUN = 150


def _harmless(case: Case, dice: random.Random) -> Case:
    """A good mount: nothing about it is hidden, and there is time for it."""
    fault = FaultDraw(dice.choice(HARMLESS), dice.randint(1, REPLIES_OF_A_RUN))
    start = _start(dice, case) if dice.random() < 0.3 else {"kind": dice.choice(("factory", "right"))}
    dialect = {key: dict(value) if isinstance(value, dict) else value for key, value in case.dialect.items()}
    blocks_s = dialect.get("date", {}).get("blocks_s", 0.0)
    policy = {"time_limit_s": 180.0} if blocks_s > 10.0 else {}
    return dataclasses.replace(case, start={**start, "slewing": False}, faults=(fault,), dialect=dialect, policy=policy)


def _wild(case: Case, dice: random.Random) -> Case:
    case = dataclasses.replace(
        case,
        verb="set" if dice.random() < 0.9 else "check",
        then=_then(dice, 0.35),
        told=dice.choices(("auto", "declared", "usual"), (75, 20, 5))[0],
        quirks=_quirks(dice) if dice.random() < 0.4 else {},
        line=_line(dice) if dice.random() < 0.4 else {},
    )
    case = dataclasses.replace(case, start=_start(dice, case))
    case = _sources(case, dice)
    for _ in range(dice.choices((0, 1, 2, 3), (15, 45, 25, 15))[0]):
        case = _one_more(case, dice)
    if case.receivers and dice.random() < 0.05 and not {one.name for one in case.all_faults} & LIES_OF_THE_PLACE:
        case = dataclasses.replace(case, configured=_mistaken(dice, case.site))  # and no receiver in league with it
    return case


LIES_OF_THE_PLACE = {"place-jumps", "elsewhere", "other-hemisphere", "null-island", "position-walks"}


def _one_more(case: Case, dice: random.Random) -> Case:
    name = dice.choice(list(FAULTS))
    amount = AMOUNTS.get(name)
    spec = name if amount is None or dice.random() < 0.3 else f"{name}:{amount(dice):.6g}"
    if FAULTS[name].kind == "receiver":
        if not case.receivers:
            return case
        first = {**case.receivers[0], "faults": [*case.receivers[0].get("faults", ()), spec]}
        return dataclasses.replace(case, receivers=(first, *case.receivers[1:]))
    first_at = dice.randint(1, REPLIES_OF_A_RUN) if dice.random() < 0.5 else None
    return dataclasses.replace(case, faults=(*case.faults, FaultDraw(spec, first_at)))


def _then(dice: random.Random, chance: float) -> str:
    return dice.choice(("check", "check-mended", "restore-mended", "restore")) if dice.random() < chance else ""


_Draw = Callable[[random.Random], float]


def _commands(dice: random.Random) -> float:
    return dice.randint(1, 260)


def _chance(dice: random.Random) -> float:
    return dice.choice((0.0, 0.01, 0.03, 0.1, 0.3))


def _soon(dice: random.Random) -> float:
    return round(dice.uniform(0.2, 12.0), 2)


AMOUNTS: dict[str, _Draw] = {
    "silent": _commands, "late": lambda dice: round(dice.uniform(0.1, 6.0), 2), "drops-said": _chance, "flips-said": _chance,
    "drops-heard": _chance, "flips-heard": _chance, "noise": _chance, "busy": lambda dice: round(dice.uniform(0.5, 60.0), 1),
    "forgets": _soon, "resets-to-factory": _commands, "turns-offset": _commands, "starts-slewing": _commands,
    "clock-fast": lambda dice: dice.choice((-50_000.0, -5000.0, -500.0, 100.0, 1000.0, 9000.0, 60_000.0)),
    "overwritten": _soon, "switches-memory": _commands, "vanishes": _commands, "comes-back": _soon, "stalls": _soon,
    "drops-bytes": _chance, "doubles-bytes": _chance, "other-program": _chance,
    "cold-start": lambda dice: round(dice.uniform(2.0, 60.0), 1), "no-fix": lambda dice: dice.uniform(-2.0, 2.0),
    "rollover": lambda dice: dice.choice((1.0, 2.0)), "leap-missing": lambda dice: float(dice.randint(1, 18)),
    "lateness-wanders": lambda dice: dice.uniform(0.1, 1.5), "checksum-errors": _chance,
    "position-walks": lambda dice: dice.uniform(0.1, 60.0), "place-jumps": lambda dice: dice.uniform(10.0, 1e6),
    "time-jumps": lambda dice: dice.choice((-3600.0, -1.0, 1.0, 18.0, 3600.0, 86400.0)),
    "elsewhere": lambda dice: dice.choice((600.0, 3000.0, 1e5, 5e6)), "five-hertz": lambda dice: float(dice.randint(1, 10)),
    "labels-next-second": lambda dice: dice.choice((1.0, 2.0, -1.0)),
}  # fmt: skip


# --- where and when ----------------------------------------------------------------------------------


@functools.cache
def _places() -> list[tuple[float, float, str]]:
    text = (resources.files("tzdata") / "zoneinfo" / "zone1970.tab").read_text("utf-8")
    rows = [line.split("\t") for line in text.splitlines() if line and not line.startswith("#")]
    return [(*_iso6709(row[1]), row[2]) for row in rows]


def _iso6709(text: str) -> tuple[float, float]:
    found = re.fullmatch(r"([+-])(\d\d)(\d\d)(\d\d)?([+-])(\d{3})(\d\d)(\d\d)?", text)
    assert found is not None, text
    values = [
        (-1 if found[first] == "-" else 1)
        * (int(found[first + 1]) + int(found[first + 2]) / 60 + int(found[first + 3] or 0) / 3600)
        for first in (1, 5)
    ]
    return values[0], values[1]


def draw_site(dice: random.Random) -> dict[str, Any]:
    """A place with its zone."""
    if dice.random() < 0.1:
        latitude, longitude, zone = dice.choice(EDGES)
    else:
        places = _places()
        if dice.random() < 0.25:
            places = [one for one in places if one[2] in ZONES_OF_NOTE]
        latitude, longitude, zone = dice.choice(places)
        latitude = max(-90.0, min(90.0, latitude + dice.uniform(-0.2, 0.2)))
        longitude = (longitude + dice.uniform(-0.2, 0.2) + 180.0) % 360.0 - 180.0
    return {"latitude_deg": round(latitude, 5), "longitude_deg": round(longitude, 5),
            "elevation_m": float(dice.randrange(0, 4500)), "timezone": zone}  # fmt: skip


def _mistaken(dice: random.Random, site: dict[str, Any]) -> dict[str, Any]:
    """A site as somebody types it wrongly: by at least some 15 km, so that it is wrong beyond any rounding."""
    latitude, longitude = site["latitude_deg"], site["longitude_deg"]
    choices = [(latitude + (0.3 if latitude < 0 else -0.3), longitude)]
    if abs(latitude) < 70:
        choices.append((latitude, (longitude + dice.choice((-0.3, 0.3)) + 180.0) % 360.0 - 180.0))
    if abs(latitude) > 1:
        choices.append((-latitude, longitude))
    return dict(zip(("latitude_deg", "longitude_deg"), dice.choice(choices), strict=True))


def zone_offset_h(zone: str, utc: dt.datetime) -> float:
    """Local minus UTC, hours, by the standard library on the newer of the two databases."""
    offset = utc.astimezone(_zone(zone)).utcoffset()
    assert offset is not None
    return offset.total_seconds() / 3600


@functools.cache
def _zone(key: str) -> ZoneInfo:
    if _database_of_the_system() >= tzdata.IANA_VERSION:
        return ZoneInfo(key)
    with (resources.files("tzdata") / "zoneinfo").joinpath(*key.split("/")).open("rb") as file:
        return ZoneInfo.from_file(file, key=key)


@functools.cache
def _database_of_the_system() -> str:
    """Its release, as 2026f; "" where there is none, or it does not say."""
    for folder in map(Path, TZPATH):
        if (folder / "tzdata.zi").is_file():
            with (folder / "tzdata.zi").open(encoding="ascii", errors="replace") as file:
                return file.readline().rpartition(" ")[2].strip()
    return ""


def _utc(dice: random.Random, zone: str) -> dt.datetime:
    """An instant: any, or one that is hard at this place."""
    any_time = FIRST + (LAST - FIRST) * dice.random()
    around = dt.timedelta(seconds=dice.choice((dice.uniform(-100, 20), dice.uniform(-7200, 7200))))
    what = dice.choices(
        ("any", "change", "midnight", "leap-day", "new-year", "equal", "week"), (40, 20, 15, 8, 8, 5, 4)
    )[0]
    if what == "change":
        return (_zone_change(zone, any_time) or any_time) + around
    if what == "midnight":
        return _local_midnight(zone, any_time) + around
    if what == "leap-day":
        year = dice.choice((2028, 2032, 2036, 2040))
        return _local_midnight(zone, dt.datetime(year, 2, dice.choice((28, 29)), 12, tzinfo=dt.UTC)) + around
    if what == "new-year":
        year = dice.randint(2027, 2040)
        return (
            dice.choice(
                (
                    dt.datetime(year, 1, 1, tzinfo=dt.UTC),
                    _local_midnight(zone, dt.datetime(year - 1, 12, 31, 12, tzinfo=dt.UTC)),
                )
            )
            + around
        )
    if what == "equal":  # the day equal to the month: the order of the date's fields is not told by it
        month = dice.randint(1, 12)
        return any_time.replace(year=dice.randint(2027, 2040), month=month, day=month)
    if what == "week":  # the week number of GPS rolls over; seconds since 1970 leave 31 bits
        return (
            dice.choice(
                (
                    dt.datetime(2038, 11, 20, 23, 59, 42, tzinfo=dt.UTC),
                    dt.datetime(2038, 1, 19, 3, 14, 7, tzinfo=dt.UTC),
                )
            )
            + around
        )
    return any_time


def _local_midnight(zone: str, near: dt.datetime) -> dt.datetime:
    """The first local midnight after an instant, by the offset of that instant."""
    offset = dt.timedelta(hours=zone_offset_h(zone, near))
    local = near + offset
    return local.replace(hour=0, minute=0, second=0, microsecond=0) + dt.timedelta(days=1) - offset


def _zone_change(zone: str, after: dt.datetime) -> dt.datetime | None:
    """The first second of another offset within 400 days, found by halving."""
    low = after
    for _ in range(100):
        high = low + dt.timedelta(days=4)
        if zone_offset_h(zone, high) != zone_offset_h(zone, low):
            while high - low > dt.timedelta(seconds=0.5):
                middle = low + (high - low) / 2
                if zone_offset_h(zone, middle) == zone_offset_h(zone, low):
                    low = middle
                else:
                    high = middle
            return high
        low = high
    return None


# --- the mount ---------------------------------------------------------------------------------------


@functools.cache
def _shipped() -> list[dict[str, Any]]:
    folder = resources.files("noonmark.protocols") / "dialects"
    names = sorted(item.name for item in folder.iterdir() if item.name.endswith(".toml"))
    return [tomllib.loads((folder / name).read_text("utf-8")) for name in names]


def _dialect(dice: random.Random) -> dict[str, Any]:
    which = dice.random()
    if which < 0.3:
        return {}
    if which < 0.5:
        return dict(dice.choice(_shipped()))
    drawn = {
        table: {key: dice.choice(values) for key, (chance, values) in keys.items() if dice.random() < chance}
        for table, keys in MANNERS.items()
    }
    if drawn["longitude"].get("drops_sign"):
        drawn["longitude"]["range"] = "0..360"
    if drawn["clock"].get("local_is_utc"):
        drawn["clock"].pop("daylight_hour", None)
    return {
        "acknowledgement": dice.choice(("plain", "end-mark", "none")),
        **{key: value for key, value in drawn.items() if value},
    }


MANNERS: dict[str, dict[str, tuple[float, tuple[Any, ...]]]] = {
    "coordinates": {"degree_mark": (0.3, ("0xDF",)), "seconds_mark": (0.3, ("'",)), "shown": (0.4, ("second",)),
                    "written": (0.4, ("second",)), "toggles": (0.2, (False,))},
    "longitude": {"positive": (0.5, ("east",)), "range": (0.5, ("-180..180",)), "plus_sign": (0.3, (True,)),
                  "drops_sign": (0.08, (True,)), "written_positive": (0.06, ("west", "east"))},
    "offset": {"sense": (0.5, ("from-utc",)), "format": (0.66, ("hours", "minutes")), "limit_h": (0.3, (12.0, 9.0, 13.0)),
               "finer": (0.3, ("truncate",))},
    "clock": {"holds": (0.3, ("utc",)), "local_is_utc": (0.08, (True,)), "daylight_hour": (0.15, (True,)),
              "display_hours": (0.15, (12,)), "display_rounds": (0.1, (True,)), "phase": (0.25, ("kept",)),
              "sidereal_renewed": (0.2, ("at-set-time",))},
    "date": {"order": (0.5, ("dmy",)), "year_digits": (0.3, (4,)), "resets_time": (0.2, (True,)),
             "notices": (0.4, (1, 2)), "blocks_s": (0.3, (0.5, 4.0, 12.0, 28.0))},
}  # fmt: skip


def _start(dice: random.Random, case: Case) -> dict[str, Any]:
    kind = dice.choices(("factory", "right", "one-off", "random"), (30, 20, 30, 20))[0]
    start: dict[str, Any] = {"kind": kind}
    if kind in ("right", "one-off"):
        start["error_s"] = dice.choice((0.0, 0.04, 0.5, -0.5, dice.uniform(-1.3, 1.3), dice.uniform(-0.2, 0.2)))
    if kind == "one-off":
        start["off"] = dice.choice(list(SLIPS))
    if kind == "random":
        unit_h = {"hours": 1.0, "tenths": 0.1, "minutes": 0.25}[case.dialect.get("offset", {}).get("format", "tenths")]
        start |= {
            "latitude_deg": round(dice.uniform(-90, 90), 3), "longitude_deg": round(dice.uniform(-180, 180), 3),
            "offset_h": round(dice.randint(round(-9 / unit_h), round(9 / unit_h)) * unit_h, 2),
            "local_s": round(dice.uniform(946684800.0, 3_400_000_000.0), 2),
        }  # fmt: skip
    if dice.random() < 0.3:
        start["drift_ppm"] = dice.choice((-200.0, -20.0, 5.0, 20.0, 100.0, 200.0))
    for flag, chance in (("slewing", 0.02), ("parked", 0.1), ("long_format", 0.15), ("still", 0.1)):
        if dice.random() < chance:
            start[flag] = True
    return start


SLIPS: dict[str, dict[str, Any]] = {  # one thing off: factors and shifts of what would be right
    "longitude-sign": {"longitude_deg": (-1.0, 0.0)}, "latitude-sign": {"latitude_deg": (-1.0, 0.0)},
    "longitude-a-degree": {"longitude_deg": (1.0, 1.0)}, "latitude-a-minute": {"latitude_deg": (1.0, 0.034)},
    "offset-sign": {"offset_h": (-1.0, 0.0)}, "offset-an-hour": {"offset_h": (1.0, 1.0)}, "an-hour": {"local_s": (1.0, 3600.0)},
    "offset-and-hour": {"offset_h": (1.0, -1.0), "local_s": (1.0, -3600.0)}, "a-day": {"local_s": (1.0, 86400.0)},
    "a-year": {"local_s": (1.0, -365 * 86400.0)}, "a-leap-year": {"local_s": (1.0, 366 * 86400.0)},
    "twenty-years": {"local_s": (1.0, -7168 * 86400.0)}, "47-s": {"local_s": (1.0, 47.0)}, "2-s": {"local_s": (1.0, -2.0)},
    "half-a-day": {"local_s": (1.0, 43200.0)}, "both-signs": {"longitude_deg": (-1.0, 0.0), "offset_h": (-1.0, 0.0)},
}  # fmt: skip


def _quirks(dice: random.Random) -> dict[str, Any]:
    rows: list[dict[str, Any]] = [
        {"lag_before_s": [0.02, 0.3], "lag_after_s": [0.0, 0.05]}, {"lag_before_s": [0.4, 0.9], "lag_after_s": [0.1, 0.3]},
        {"display_every_s": 0.2}, {"uneven_s": 0.04}, {"uneven_s": 0.3}, {"refuses_parked": True}, {"once_per_power_up": True},
        {"overwritten_after_s": round(dice.uniform(0.5, 12.0), 2),
         "overwritten_with": dice.choice(({"longitude_deg": -90.0}, {"latitude_deg": 40.0}, {"local_shift_s": 47.0}, {"offset_h": 2.0}))},
        {"time_starts_tracking": True, "time_drops_alignment": True}, {"late_mark_s": dice.choice((0.02, 0.1, 0.3, 0.7, 1.5))},
        {"silent": dice.choice((["GW"], ["D"], ["GVP", "GVN"], ["GR", "GD", "GA", "GZ"], ["GW", "D", "Gc", "GVP"]))},
        {"sidereal": dice.choice(("apparent", "imprecise", "own-clock", "frozen"))}, {"automatic_daylight": True},
        {"checks_date_under_old_year": True}, {"truncates_coordinates": True}, {"product": "\u001b[2J mount"},
    ]  # fmt: skip
    chosen: dict[str, Any] = {}
    for row in dice.sample(rows, dice.choice((1, 1, 2, 3))):
        chosen |= row
    return chosen


def _line(dice: random.Random) -> dict[str, Any]:
    line: dict[str, Any] = {"baud": dice.choice((1200, 4800, 9600, 19200, 115200, 0))}
    if dice.random() < 0.3:
        line["hold_s"] = dice.choice((0.001, 0.016))
    if dice.random() < 0.3:
        line |= {"joins": True, "lag_s": dice.choice(([0.001, 0.02], [0.02, 0.15], [0.1, 0.6]))}
    return line


# --- the sources -------------------------------------------------------------------------------------


def _receiver(dice: random.Random) -> dict[str, Any]:
    one: dict[str, Any] = {}
    if dice.random() < 0.5:
        one |= {"rate_hz": 5.0, "sentences": ["RMC", "GGA"], "lateness": [0.05, 0.2]}
    if dice.random() < 0.2:
        one["nav_status"] = True
    return one


def _sources(case: Case, dice: random.Random) -> Case:
    """Who says what UTC is, and what the policy demands of them. A source that lies can only be noticed beside a right
    one: where a receiver stands alone, or beside a host that knows the hour only, see `judge` on being deceived."""
    hours = dice.choice((-1.0, 1.0, -10.5, 9.5, 24.0)) * 3600.0 + dice.uniform(-2, 2)
    kept, free = (
        {"discipline": "kept", "error_s": dice.uniform(-0.015, 0.015)},
        {"discipline": "free", "error_s": dice.uniform(-9, 9)},
    )
    one, two = (_receiver(dice),), (_receiver(dice), _receiver(dice))
    both: dict[str, Any] = {}
    single = {"time_origins_required": 1}
    place = {"place_origins_required": 1}
    since_2000 = (dt.datetime(2000, 1, 1, tzinfo=dt.UTC) - dt.datetime.fromisoformat(case.utc)).total_seconds()
    host, receivers, policy = dice.choices(
        [
            (kept, one, both), (kept, (), single | place), (free, one, both), ({"discipline": "free", "error_s": hours}, one, both),
            ({"discipline": "free", "error_s": since_2000}, one, both), ({"discipline": "free", "error_s": since_2000}, one, single),
            ({"discipline": "absent", "error_s": hours}, one, single), (kept, two, both), (free, two, both),
            ({"discipline": "absent", "error_s": 0.0}, two, single), (free, (), single | place),
            ({"discipline": "kept", "error_s": hours}, one, both), ({"discipline": "kept", "error_s": hours}, two, both),
            ({"discipline": "unknown", "error_s": 0.3}, one, both), ({"discipline": "unbounded", "error_s": 0.1}, one, both),
        ],
        (30, 5, 8, 5, 5, 4, 6, 8, 4, 3, 2, 4, 3, 2, 3),
    )[0]  # fmt: skip
    if dice.random() < 0.06:
        host = {
            **host,
            "events": [
                [round(dice.uniform(0.5, 25.0), 2), dice.choice(("step", "sleep")), dice.choice((0.3, 2.0, 3600.0))]
            ],
        }
    if dice.random() < 0.1:
        policy = {**policy, "time_limit_s": dice.choice((12.0, 25.0, 45.0, 200.0))}
    if dice.random() < 0.1:
        policy = {**policy, "clock_tolerance_s": dice.choice((0.5, 2.0, 5.0))}
    return dataclasses.replace(case, host=host, receivers=receivers, policy=policy)
