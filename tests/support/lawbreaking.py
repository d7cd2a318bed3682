"""What tests of the laws have in common: rigs, what passed on their lines, and mounts that misbehave on demand."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from noonmark.driver.interrupts import Interrupted
from noonmark.driver.result import EXIT_STATUS, Result
from noonmark.driver.seams import Seams
from noonmark.protocols.seams import Link
from noonmark.sim.injection import LineFault, MountFault
from noonmark.sim.line import SimLink
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.state import MountState, right
from support.judging import wrongs
from support.virtual import NIGHT, SITE, Rig, rig

FAST = {"rate_hz": 5.0, "sentences": ("RMC", "GGA")}
NAMES = ("longitude", "latitude", "offset", "date", "time")
LETTERS = {"longitude": b"Sg", "latitude": b"St", "offset": b"SG", "date": b"SC", "time": b"SL"}
ALLOWED = re.compile(rb":(?:G[CLGgtSRDAZcW]|GV[PN]|D)#|:S[CLGgt][0-9+*\xdf:'/.-]+#")
READS = re.compile(rb":(?:G[CLGgtSRDAZcW]|GV[PN]|D)#")


@pytest.fixture(autouse=True)
def instant_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that needn't be waited for. That it is waited for, and when, is a test of law 2."""
    monkeypatch.setattr(os, "fsync", lambda descriptor: None)


def built(folder: Path | str, **options: Any) -> Rig:
    return rig(folder, **({"receiver_options": FAST} | options))


def rightly_set(**changes: Any) -> MountState:
    return replace(right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5), **changes)


def inside(one: Rig) -> list[str]:
    """What is wrong in the mount, by another computation."""
    return wrongs(one.mount, one.clock, one.config.site.model_dump())


def sent(one: Rig) -> list[bytes]:
    return [request for link in one.links for _, request in link.requests]


def writes(one: Rig) -> list[bytes]:
    return [request for request in sent(one) if request.startswith(b":S")]


class Answers(MountFault):
    """Answers a command in place of the mount: `what` by its letters; b"" is silence."""

    def __init__(self, **what: bytes) -> None:
        super().__init__("answers", 0.0, 0)
        self.what = {letters.encode(): reply for letters, reply in what.items()}

    def instead(self, mount: SimulatedMount, command: bytes, at: float) -> bytes | None:
        for letters, reply in self.what.items():
            if command == letters or (letters.startswith(b"S") and command.startswith(letters)):
                self.bite()
                return reply
        return None


class AtFirstWrite(MountFault):
    """Does something once, as the first byte of the first set command reaches the mount."""

    def __init__(self, do: Callable[[SimulatedMount], None], letters: bytes = b":S") -> None:
        super().__init__("at-first-write", 0.0, 0)
        self.do, self.letters = do, letters

    def heard(self, mount: SimulatedMount, data: bytes) -> bytes:
        if data.startswith(self.letters) and not self.bites:
            self.bite()
            self.do(mount)
        return data


class Fails(LineFault):
    """At message number `amount` of this side: the port is gone ("lost": before the message is heard, "heard": after
    it), or the user interrupts ("interrupted")."""

    messages = 0
    off = False

    def to_device(self, data: bytes, at: float) -> bytes:
        self.messages += 1
        if self.messages < self.amount or self.off:
            return data
        self.bite()
        if self.name == "interrupted":
            self.off = True
            raise Interrupted(2)
        return data if self.name == "heard" and self.bites == 1 else b""

    def gone(self, at: float) -> bool:
        return self.bites > 0 and self.name != "interrupted"


def shown_well(result: Result) -> None:
    """An outcome, a code and a sentence, printable and whole."""
    assert result.outcome in EXIT_STATUS
    assert result.exit_status == EXIT_STATUS[result.outcome]
    assert re.fullmatch(r"[a-z0-9-]+", result.code)
    assert result.reason
    text = result.json_text()
    assert json.loads(text)["code"] == result.code
    assert text.isascii()
    assert all(character.isprintable() for character in text.replace("\n", ""))


def with_device(one: Rig, device: object) -> Seams:
    def link(_config: object, _reads_only: bool) -> Link:
        opened = SimLink(device, one.clock)  # type: ignore[arg-type]
        one.links.append(opened)
        return opened

    return replace(one.seams, open_link=link)
