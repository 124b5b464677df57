"""The visiting operator of event E18 puts an interlock aside at the moment of the script, and not before."""

import asyncio
from typing import cast

import pytest

from gateway.local.client import FieldClient
from gateway.local.messages import Answered, Ask
from simulator import visitor
from simulator.events import EVENTS
from simulator.stage import Control
from simulator.visitor import Visitor


class Gateway:
    def __init__(self, plant: "Clock") -> None:
        self.asked: list[tuple[float, Ask]] = []
        self._plant = plant

    async def ask(self, ask: Ask) -> Answered:
        self.asked.append((self._plant.since_s, ask))
        return Answered(id=ask.id, granted=True, text="bypassed")


class Clock:
    since_s = -3.0

    async def truth(self) -> dict[str, float]:
        self.since_s += 1.0
        return {"since_event_s": self.since_s}


def test_the_bypass_of_e18_comes_when_the_event_strikes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(visitor, "_LOOK_AGAIN_S", 0.0)
    plant, said = Clock(), list[str]()
    gateway = Gateway(plant)
    one = Visitor(cast("FieldClient", gateway), cast("Control", plant), said.append)
    answer = asyncio.run(one.bypass_when_due(EVENTS["E18"].bypasses[0]))
    assert answer.granted
    [(at_s, ask)] = gateway.asked
    assert at_s == 0.0
    assert (ask.action, ask.subject, ask.duration_s, ask.reason) == ("bypass", "I-07", 14_400, "pump bled by hand")
    assert said == ["bypasses I-07 for 240 minutes: pump bled by hand", "is answered: bypassed"]


def test_the_hold_of_e10_is_announced_before_the_instrument_is_touched_and_ended_after(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(visitor, "_LOOK_AGAIN_S", 0.0)
    plant = Clock()
    plant.since_s = -63.0
    gateway = Gateway(plant)
    one = Visitor(cast("FieldClient", gateway), cast("Control", plant), lambda _text: None)
    assert asyncio.run(one.hold_when_due(EVENTS["E10"].holds[0])).granted
    assert [(at_s, ask.action, ask.subject) for at_s, ask in gateway.asked] == [
        (-60.0, "hold", "AN1"),
        (2_460.0, "end_hold", "AN1"),
    ]
    assert (gateway.asked[0][1].duration_s, gateway.asked[0][1].reason) == (2_700, "calibration")
