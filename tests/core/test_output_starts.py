"""An output that lets a motor run: not away from its safe level too soon after a stop, nor too often."""

from dataclasses import replace

import pytest

from gateway.core import output
from gateway.core.motor import MotorRule, MotorState, start_refusal, wait_ms
from gateway.core.outcome import EventKind
from gateway.core.request import Action
from gateway.core.restart import resume
from tests.core.plants import GOOD_GRAB, OUTPUTS, PERMIT, Bench, plant_with

LIMITS = MotorRule(id="product", min_off_ms=40_000, max_starts=2, window_ms=600_000)


def plant_of(limits: MotorRule) -> Bench:
    product, *others = OUTPUTS
    return Bench(plant_with(outputs=(replace(product, motor=limits), *others)))


def filled(bench: Bench, *, times: int = 1) -> None:
    """The tank is full and empty again: an interlock without a latch stops, and gives back by itself."""
    for _ in range(times):
        bench.read(TANK=96.0)
        bench.run(8)
        bench.read(TANK=50.0)
        bench.run(8)


def test_what_gives_back_by_itself_waits_until_it_has_stood_still_for_long_enough() -> None:
    bench = plant_of(LIMITS)
    bench.deliver()
    filled(bench)
    state = bench.state.outputs["product"]
    assert not any(one.tripped for one in bench.state.interlocks.values())
    assert (state.level, state.start_refused) == ("withdrawn", "min_off")
    assert output.reasons(bench.rules.outputs["product"], state, []) == ("it has not stood still for long enough",)
    assert state.safe_since_ms is not None
    bench.run((state.safe_since_ms + 40_000 - bench.monotonic_ms) // 1_000 - 1)
    assert bench.level("product") == "withdrawn"
    bench.run(1)
    assert bench.level("product") == "permitted"


def test_after_so_many_starts_in_the_window_it_waits_for_the_oldest_to_leave_it() -> None:
    bench = plant_of(replace(LIMITS, min_off_ms=0))
    bench.deliver()
    filled(bench, times=2)
    state = bench.state.outputs["product"]
    assert (state.level, state.start_refused) == ("withdrawn", "max_starts")
    assert len(state.starts_ms) == 2
    bench.run(600)
    assert bench.level("product") == "permitted"


def test_a_stop_never_waits() -> None:
    bench = plant_of(replace(LIMITS, min_off_ms=3_600_000))
    bench.run(1)
    assert bench.level("product") == "withdrawn"
    bench = plant_of(LIMITS)
    bench.deliver()
    bench.read(TANK=96.0)
    bench.run(1)
    assert bench.state.interlocks["I-TANK"].tripped
    assert bench.level("product") == "withdrawn"


def test_a_release_that_comes_too_soon_is_refused_with_the_time_that_is_left() -> None:
    bench = plant_of(replace(LIMITS, min_off_ms=90_000))
    bench.controlled()
    bench.run(61)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    answer = bench.release("product")
    assert answer.reason == "not_ready"
    (item,) = [item for item in answer.items if not item.satisfied]
    assert (item.text, item.wait_ms) == ("stood still for long enough, and not started too often", 26_000)
    bench.run(26)
    assert bench.release("product").granted


def test_a_restart_counts_as_a_stop_and_the_starts_before_it_still_count() -> None:
    bench = plant_of(LIMITS)
    bench.deliver()
    starts_ms = bench.state.outputs["product"].starts_ms
    state, _ = resume(bench.rules, bench.state, bench.tick(), same_boot=True)
    assert state.outputs["product"].starts_ms == starts_ms
    assert state.outputs["product"].safe_since_ms == bench.monotonic_ms


def test_an_output_without_such_limits_counts_nothing() -> None:
    bench = Bench()
    bench.deliver()
    filled(bench, times=3)
    assert bench.level("product") == "permitted"
    assert bench.state.outputs["product"].starts_ms == ()
    assert not bench.found(EventKind.MOTOR_START_REFUSED)
    assert bench.rules.outputs["product"].codes["permitted"] == PERMIT


@pytest.mark.parametrize(
    ("state", "now_ms"),
    [
        pytest.param(MotorState(stopped_ms=100_000), 110_000, id="too soon after the stop"),
        pytest.param(MotorState(stopped_ms=100_000, starts_ms=(1_000, 2_000)), 150_000, id="too often"),
        pytest.param(MotorState(stopped_ms=590_000, starts_ms=(1_000, 2_000)), 600_000, id="both"),
        pytest.param(MotorState(), 0, id="never ran"),
    ],
)
def test_the_time_that_is_left_is_the_shortest_after_which_nothing_forbids_a_start(
    state: MotorState, now_ms: int
) -> None:
    left_ms = wait_ms(LIMITS, state, now_ms)
    assert not start_refusal(LIMITS, state, tripped=False, now_ms=now_ms + left_ms)
    assert not left_ms or start_refusal(LIMITS, state, tripped=False, now_ms=now_ms + left_ms - 1)
