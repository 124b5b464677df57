"""Instruments that people hold: not trusted, no latch and no call, until a grace time after the planned end."""

from dataclasses import replace

import pytest

from gateway.core.alarm import AlarmRule
from gateway.core.condition import BypassEnds, HoldOverdue
from gateway.core.hold import HoldRule
from gateway.core.outcome import EventKind
from gateway.core.quality import Reason
from gateway.core.request import Action, Origin
from gateway.core.restart import resume
from gateway.core.sample import NoNumber, Number
from gateway.core.validity import HELD, Verdict
from gateway.store.scan_state import from_bytes, to_bytes
from tests.core.plants import ALARMS, HOLDS, PLANT, Bench, plant_with

OVERDUE = AlarmRule(id="FORGOTTEN", condition=HoldOverdue(by_ms=30_000))
ENDS = AlarmRule(id="ENDS", condition=BypassEnds(within_ms=15_000))
PLANT_WITH_CALLS = plant_with(alarms=(*ALARMS, OVERDUE, ENDS))


def delivering() -> Bench:
    bench = Bench(PLANT_WITH_CALLS)
    bench.deliver()
    return bench


def held(subject: str = "CHLORINE", *, for_ms: int = 60_000) -> Bench:
    bench = delivering()
    assert bench.ask(Action.HOLD, subject, duration_ms=for_ms).granted
    return bench


def chlorine(bench: Bench) -> Verdict:
    return bench.outcome.verdicts["CHLORINE"]


@pytest.mark.parametrize(
    ("subject", "fields", "reason"),
    [
        pytest.param("NO-SUCH-THING", {}, "unknown_subject", id="nothing of that name"),
        pytest.param("FLOW", {}, "not_holdable", id="a tag that may not be held"),
        pytest.param("CHLORINE", {"role": "COMPLIANCE"}, "hold_role", id="another role"),
        pytest.param("CHLORINE", {"origin": Origin.REMOTE}, "hold_on_site", id="from afar"),
        pytest.param("CHLORINE", {"duration_ms": 0}, "no_duration", id="without an end"),
        pytest.param("CHLORINE", {"duration_ms": 600_001}, "too_long", id="for too long"),
        pytest.param("CHLORINE", {"reason": " "}, "no_reason", id="without a reason"),
    ],
)
def test_a_hold_that_is_refused_changes_nothing(subject: str, fields: dict[str, object], reason: str) -> None:
    bench = delivering()
    answer = bench.ask(Action.HOLD, subject, **{"duration_ms": 60_000, **fields})
    assert (answer.granted, answer.reason) == (False, reason)
    assert not bench.state.holds
    assert bench.level("product") == "permitted"


def test_a_held_reading_is_no_value_and_takes_the_permission_without_a_latch_or_an_alarm() -> None:
    bench = held()
    before = len(bench.events)
    bench.read(CHLORINE=0.1, ZSC=1.0)  # a buffer: far below the limit of the interlock, and of the alarm
    bench.run(50)
    assert bench.outcome.verdicts["CHLORINE"] == HELD
    assert bench.level("product") == "withdrawn"
    assert bench.state.outputs["product"].latches == ()
    assert bench.events[before:] == []


def test_the_end_of_a_hold_counts_after_the_settling_time_and_gives_back_what_only_the_hold_took() -> None:
    bench = held()
    bench.run(10)
    assert bench.ask(Action.END_HOLD, "CHLORINE").granted
    (over,) = bench.found(EventKind.HOLD_OFF)
    assert (over.person, over.facts["held_by"], over.facts["lasted_s"]) == ("VISITOR-OP", "VISITOR-OP", 11.0)
    bench.run(4)
    assert (bench.level("product"), bench.outcome.verdicts["CHLORINE"]) == ("withdrawn", HELD)
    bench.run(1)
    assert (bench.level("product"), bench.outcome.verdicts["CHLORINE"]) == ("permitted", Number(5.0))
    assert not bench.state.holds


def test_a_hold_does_not_end_by_itself_it_becomes_a_bad_reading_that_trips_and_calls() -> None:
    bench = held()
    bench.run(88)
    assert chlorine(bench) == HELD
    assert not bench.found(EventKind.ALARM, "FORGOTTEN")
    bench.run(2)
    assert chlorine(bench) == NoNumber(Reason.HOLD)
    (call,) = bench.found(EventKind.ALARM, "FORGOTTEN")
    assert call.facts["put_aside"] == "CHLORINE held by VISITOR-OP, planned for 0 min more"
    bench.run(20)
    assert bench.found(EventKind.TRIP, "I-CHLORINE-BAD")
    assert bench.state.outputs["product"].latches == ("I-CHLORINE-BAD",)


def test_said_again_it_gets_a_new_end_and_keeps_its_begin() -> None:
    bench = held()
    began_ms = bench.state.holds["CHLORINE"].since_ms
    bench.run(50)
    assert bench.ask(Action.HOLD, "CHLORINE", duration_ms=120_000).granted
    hold = bench.state.holds["CHLORINE"]
    assert (hold.since_ms, hold.until_ms) == (began_ms, bench.monotonic_ms + 120_000)


def test_a_device_stands_for_its_readings_and_nobody_holds_one_twice() -> None:
    bench = held("LEVELS")
    assert bench.state.holds["LEVELS"].tags == ("LEVEL-A", "LEVEL-B")
    assert bench.ask(Action.HOLD, "LEVEL-A", duration_ms=60_000).reason == "already_held"
    assert bench.ask(Action.END_HOLD, "LEVEL-A").reason == "not_held"
    assert bench.ask(Action.END_HOLD, "LEVELS", role="COMPLIANCE").reason == "hold_role"
    assert bench.ask(Action.END_HOLD, "LEVELS").granted
    assert bench.ask(Action.END_HOLD, "LEVELS").reason == "not_held"


def test_a_reading_that_something_stops_on_is_bad_from_the_first_moment_on() -> None:
    bench = delivering()
    bench.ask(Action.HOLD, "ZSC", duration_ms=60_000)
    assert bench.outcome.verdicts["ZSC"] == NoNumber(Reason.HOLD)


def test_a_held_reading_casts_no_doubt_on_its_partners() -> None:
    bench = held("LEVEL-A")
    bench.read(LEVEL_A=95.0)
    bench.run(10)
    assert bench.outcome.verdicts["LEVEL-B"] == Number(40.0)


def test_a_hold_of_the_instrument_itself_takes_the_permission_as_well() -> None:
    bench = delivering()
    bench.read(HOLD_801=1.0)
    bench.run(1)
    assert (bench.outcome.verdicts["CHLORINE"], bench.level("product")) == (HELD, "withdrawn")
    bench.read(HOLD_801=0.0)
    bench.run(1)
    assert bench.level("product") == "permitted"


def test_a_hold_goes_on_over_a_restart_and_the_permission_does_not_return_meanwhile() -> None:
    bench = held(for_ms=300_000)
    saved = from_bytes(to_bytes(bench.state))
    left_ms = saved.holds["CHLORINE"].until_ms - bench.monotonic_ms
    again = Bench(PLANT_WITH_CALLS, monotonic_ms=bench.monotonic_ms + 5_000)
    again.utc_ms = bench.utc_ms + 5_000
    again.state, _ = resume(again.rules, saved, again.tick(), same_boot=True)
    assert again.state.holds["CHLORINE"].until_ms - again.monotonic_ms == left_ms - 5_000
    again.read_back({"product": 42_405, "feed": 0, "supply": 0})
    again.run(120)
    assert (again.outcome.verdicts["CHLORINE"], again.level("product")) == (HELD, "withdrawn")
    assert again.ask(Action.END_HOLD, "CHLORINE").granted


def test_what_may_not_be_held_any_more_after_a_restart_is_not_held() -> None:
    bench = held()
    rules = replace(PLANT, holds=HoldRule(subjects={"TURB": ("TURB",)}, roles=HOLDS.roles))
    again = Bench(rules)
    again.state, _ = resume(again.rules, bench.state, again.tick(), same_boot=True)
    assert not again.state.holds


def test_nothing_is_released_while_something_is_held() -> None:
    bench = Bench()
    bench.controlled()
    bench.run(61)
    bench.ask(Action.HOLD, "LEVEL-A", duration_ms=60_000)
    answer = bench.release("product")
    assert answer.reason == "not_ready"
    assert [item.detail for item in answer.items if item.text == "no instrument held"] == ["LEVEL-A"]
    assert bench.release("product", origin=Origin.REMOTE).reason == "on_site_only"
