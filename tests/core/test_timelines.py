"""Every timeline is a test: the complete list of events, and the states at the given instants.

``PURPLEGATE_TIMELINES=FILE pytest tests/core/test_timelines.py`` plays another file of the same format.
"""

import os
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.core.timeline import play

OURS = Path(__file__).parents[1] / "data" / "alarm_timelines.yaml"
TIMELINES = yaml.safe_load(Path(os.environ.get("PURPLEGATE_TIMELINES", OURS)).read_text(encoding="utf-8"))["timelines"]


@pytest.mark.parametrize("timeline", [pytest.param(one, id=one["id"]) for one in TIMELINES])
def test_timeline(timeline: dict[str, Any]) -> None:
    player = play(timeline)
    expected = timeline["expect"].get("events", [])
    seen = [{key: event.get(key) for key in wanted} for event, wanted in zip(player.events, expected, strict=False)]
    assert (seen, len(player.events)) == (expected, len(expected)), player.events
    for wanted in timeline["expect"].get("states", []):
        t = float(wanted["t"])
        shown = player.states[max(one for one in player.states if one <= t)]
        names = {key: value for key, value in wanted.items() if key != "t"}
        assert {name: shown.get(name) for name in names} == names, f"at t={t}"
