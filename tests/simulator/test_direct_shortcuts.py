"""What the direct gear passes over, since it has not changed, tells the same when nothing is passed over."""

import dataclasses
from collections.abc import Callable
from typing import Any

import pytest

from gateway.assembly import direct_gear
from gateway.assembly.direct_health import DirectHealth
from gateway.configuration.plant import load_site
from gateway.core.condition import View
from simulator.device_values import Registers
from simulator.direct import DirectRun
from simulator.events import EVENTS
from simulator.site import DEMO_SITE

SCAN_MS = 5_000
LEAD_MS, AFTER_MS = 300_000, 150_000


def played(event: str) -> DirectRun:
    """Some minutes around the stroke of an event."""
    run = DirectRun(load_site(DEMO_SITE), dataclasses.replace(EVENTS[event], lead_ms=LEAD_MS), scan_ms=SCAN_MS)
    run.run_to(run.plant.strikes_ms + AFTER_MS)
    return run


def _sees_nothing(_: View) -> None:
    """A look that leaves everything to the question."""


def _forgets(patch: pytest.MonkeyPatch, owner: type, method: str, *memories: str) -> None:
    """Before every call the owner forgets what it keeps."""
    real: Callable[..., Any] = getattr(owner, method)

    def afresh(self: Any, *given: Any, **keys: Any) -> Any:
        for memory in memories:
            setattr(self, memory, type(getattr(self, memory))())
        return real(self, *given, **keys)

    patch.setattr(owner, method, afresh)


def _passes_nothing_over(patch: pytest.MonkeyPatch) -> None:
    _forgets(patch, Registers, "image", "_held")
    _forgets(patch, direct_gear._Poll, "readings_of", "_words", "_known")
    _forgets(patch, DirectHealth, "_reading", "_known")
    for module in ("state", "voting"):
        patch.setattr(f"gateway.core.{module}.look_of", lambda _: _sees_nothing)


@pytest.mark.parametrize("event", ["E12", "E14"])
def test_the_short_way_tells_what_the_long_way_tells(event: str, monkeypatch: pytest.MonkeyPatch) -> None:
    short = played(event)
    _passes_nothing_over(monkeypatch)
    long = played(event)
    assert len(short.told) > 1
    assert repr(short.told) == repr(long.told)
    assert repr(short.gear.state) == repr(long.gear.state)
    assert repr(short.gear.outcome) == repr(long.gear.outcome)
    assert repr(short.days) == repr(long.days)
