"""When a motor may start, after the semantics of the timelines (S14), on the step and as timelines of our own."""

import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from gateway.core.motor import (
    AT_REST,
    MOVES,
    MotorRule,
    MotorState,
    State,
    Trigger,
    after_restart,
    display,
    start,
    start_refusal,
    step,
)
from gateway.core.outcome import Event, EventKind
from tests.core.test_timelines import test_timeline as plays

RULE = MotorRule(id="P-101", min_off_ms=60_000, max_starts=3, window_ms=3_600_000)
RAN = MotorState(stopped_ms=100_000, starts_ms=(10_000,))
OURS = Path(__file__).parents[1] / "data" / "motor_timelines.yaml"


def test_the_table_is_total_and_a_stop_is_never_refused() -> None:
    assert set(MOVES) == set(itertools.product(State, Trigger))
    assert not any(move.refused for move in MOVES.values())
    assert {move.to for (_, trigger), move in MOVES.items() if trigger is not Trigger.START} == {State.STOP}
    for (state, _), move in MOVES.items():
        assert (move.tells is None) is (move.to is state)  # every change is told, and nothing else


@pytest.mark.parametrize(
    ("state", "tripped", "now_s", "refused"),
    [
        pytest.param(AT_REST, False, 0, "", id="the first start"),
        pytest.param(AT_REST, True, 0, "interlock", id="tripped"),
        pytest.param(RAN, False, 159, "min_off", id="too soon"),
        pytest.param(RAN, False, 160, "", id="just long enough"),
        pytest.param(RAN, True, 159, "interlock", id="tripped and too soon: the interlock"),
        pytest.param(MotorState(starts_ms=(1_000, 2_000, 3_000)), False, 3_600, "max_starts", id="three in the window"),
        pytest.param(MotorState(starts_ms=(1_000, 2_000, 3_000)), False, 3_601, "", id="one has left it"),
        pytest.param(
            MotorState(stopped_ms=3_000, starts_ms=(1_000, 2_000, 3_000)), False, 4, "min_off", id="both: min_off"
        ),
    ],
)
def test_why_a_start_is_refused(state: MotorState, tripped: bool, now_s: int, refused: str) -> None:  # noqa: FBT001 - a column of the table
    assert start_refusal(RULE, state, tripped=tripped, now_ms=now_s * 1_000) == refused


def test_a_refused_start_changes_nothing_and_says_why() -> None:
    state, (event,) = start(RULE, RAN, tripped=True, now_ms=500_000)
    assert state is RAN
    assert (event.kind, event.subject, event.reason) == (EventKind.MOTOR_START_REFUSED, "P-101", "interlock")


def test_a_restart_counts_as_a_stop_of_a_motor_at_rest_as_well() -> None:
    state, events = after_restart(RULE, RAN, shift_ms=-50_000, now_ms=300_000)
    assert (events, state.stopped_ms, state.starts_ms) == ([], 300_000, (-40_000,))
    running = MotorState(running=True, starts_ms=(10_000,))
    state, (event,) = after_restart(RULE, running, shift_ms=0, now_ms=300_000)
    assert (display(state), event.kind, event.reason) == (State.STOP, EventKind.MOTOR_STOP, "restart")


ASKED = st.lists(st.tuples(st.integers(0, 900), st.sampled_from(["start", "stop", "trip", "restart"])), max_size=80)


@given(ASKED)
def test_no_history_starts_it_too_soon_too_often_or_twice(asked: Sequence[tuple[int, str]]) -> None:
    state, now_ms, told = AT_REST, 0, list[tuple[int, Event]]()
    stops: list[int] = []
    for after_s, what in asked:
        now_ms += after_s * 1_000
        match what:
            case "start":
                state, said = start(RULE, state, tripped=False, now_ms=now_ms)
            case "restart":
                state, said = after_restart(RULE, state, shift_ms=0, now_ms=now_ms)
                stops.append(now_ms)
            case _:
                trigger = Trigger.TRIP if what == "trip" else Trigger.STOP
                state, said = step(RULE, state, trigger, now_ms)
        told += [(now_ms, event) for event in said]
        stops += [now_ms for event in said if event.kind is EventKind.MOTOR_STOP]
    starts = [at_ms for at_ms, event in told if event.kind is EventKind.MOTOR_START]
    for at_ms in starts:
        assert sum(at_ms - RULE.window_ms < one <= at_ms for one in starts) <= 3
        assert all(at_ms - one >= RULE.min_off_ms for one in stops if one < at_ms)
    changes = [event.kind for _, event in told if event.kind is not EventKind.MOTOR_START_REFUSED]
    assert all(one is not other for one, other in itertools.pairwise(changes))


@pytest.mark.parametrize(
    "timeline",
    [pytest.param(one, id=one["id"]) for one in yaml.safe_load(OURS.read_text(encoding="utf-8"))["timelines"]],
)
def test_a_timeline_with_motors(timeline: dict[str, Any]) -> None:
    plays(timeline)
