"""One output: latched at a first start, taken by trips and strangers, given back by people or by the restart rule."""

from dataclasses import replace

import pytest

from gateway.core import output
from gateway.core.outcome import EventKind
from gateway.core.output import FOREIGN, LOST_RECORD, START, Readback
from gateway.core.quality import Reason
from gateway.core.request import Action
from gateway.core.restart import resume
from tests.core.plants import DIVERT, INTERLOCKS, OUTPUTS, PERMIT, PLANT, STOP, Bench, plant_with

WRITTEN = {"product": PERMIT, "feed": 0, "supply": 0}


def tripped_by_turbidity() -> Bench:
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0)
    bench.run(16)
    return bench


def restarted(bench: Bench, *, away_ms: int = 5_000, same_boot: bool = True) -> Bench:
    """The process again, after a kill: the state as the last scan left it."""
    again = Bench(bench.rules.plant, monotonic_ms=bench.monotonic_ms + away_ms)
    again.utc_ms = bench.utc_ms + away_ms
    again.state, again.events = resume(bench.rules, bench.state, again.tick(), same_boot=same_boot)
    again.reads = dict(bench.reads)
    return again


# --- starts -----------------------------------------------------------------------------------------------------


def test_a_first_start_latches_the_permission_and_leaves_the_stops_idle() -> None:
    bench = Bench()
    bench.scan()
    assert bench.outcome.levels == {"product": "withdrawn", "feed": "idle", "supply": "idle"}
    assert bench.state.outputs["product"].latches == (START,)
    assert bench.found(EventKind.START_LATCHED, "product")


def test_good_data_alone_never_lifts_the_latch_of_a_first_start() -> None:
    bench = Bench()
    bench.controlled()
    bench.run(250)
    assert bench.level("product") == "withdrawn"


def test_a_released_permission_still_waits_until_the_controller_was_read() -> None:
    bench = Bench()
    bench.run(62)
    bench.ask(Action.GRAB_SAMPLE, measured={"turbidity_ntu": 0.8, "total_chlorine_mg_l": 5.1})
    assert bench.release("product").granted
    assert bench.level("product") == "withdrawn"
    bench.controlled()
    assert bench.level("product") == "permitted"


def test_a_stop_that_the_controller_holds_after_a_first_start_is_taken_back() -> None:
    bench = Bench()
    bench.read_back({"product": 0, "feed": STOP, "supply": 0})
    assert bench.found(EventKind.REESTABLISHED, "feed")
    assert bench.state.outputs["feed"].latches == (LOST_RECORD,)
    assert (bench.level("feed"), bench.level("supply")) == ("stop", "idle")


# --- trips ------------------------------------------------------------------------------------------------------


def test_a_trip_withdraws_in_the_same_scan_and_stays_when_its_cause_is_gone() -> None:
    bench = tripped_by_turbidity()
    trip = bench.found(EventKind.TRIP, "I-TURB")
    assert [event.facts["value"] for event in trip] == [12.0]
    assert bench.level("product") == "withdrawn"
    bench.read(TURB=0.5)
    bench.run(300)
    assert bench.level("product") == "withdrawn"
    assert bench.state.outputs["product"].latches == ("I-TURB",)


def test_the_delay_of_a_trip_falls_due_exactly() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(TURB=12.0)
    bench.run(15)  # first seen in condition, then fourteen seconds more
    assert bench.level("product") == "permitted"
    bench.run(1)
    assert bench.level("product") == "withdrawn"


def test_an_unlatched_interlock_gives_back_by_itself_after_its_delay() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(TANK=96.0)
    bench.run(1)
    assert bench.level("product") == "withdrawn"
    bench.read(TANK=92.0)
    bench.run(5)
    assert bench.level("product") == "withdrawn"
    bench.run(1)
    assert bench.level("product") == "permitted"
    assert bench.state.outputs["product"].latches == ()


def test_every_level_that_changes_is_journaled_with_what_holds_it() -> None:
    bench = tripped_by_turbidity()
    last = bench.found(EventKind.LEVEL, "product")[-1]
    assert last.facts == {"from": "permitted", "to": "withdrawn", "code": 0, "because": "I-TURB"}


# --- the valve that does not move: two outputs, released one after the other --------------------------------------


def stuck_valve() -> Bench:
    bench = tripped_by_turbidity()  # the position still reads 0
    bench.run(30)
    assert bench.found(EventKind.TRIP, "I-VALVE")
    assert (bench.level("feed"), bench.level("supply")) == ("stop", "stop")
    bench.read(ZSC=1.0, TURB=0.5)
    bench.run(2)
    return bench


def test_a_released_feed_resumes_while_the_supply_still_waits_for_its_own_release() -> None:
    bench = stuck_valve()
    answer = bench.release("feed")
    assert answer.granted, answer
    assert (bench.level("feed"), bench.level("supply")) == ("resume", "stop")
    bench.run(15)
    assert (bench.level("feed"), bench.level("supply")) == ("idle", "stop")
    assert bench.state.interlocks["I-VALVE"].tripped  # until the supply is released too


def test_the_interlock_is_let_go_with_the_last_output_it_holds() -> None:
    bench = stuck_valve()
    assert bench.release("feed").granted
    bench.run(60)
    assert bench.release("supply").granted
    assert not bench.state.interlocks["I-VALVE"].tripped
    assert bench.level("supply") == "resume"
    assert bench.kinds(bench.found(EventKind.RESET, "I-VALVE")) == [EventKind.RESET]


def test_a_cause_that_comes_back_takes_a_released_output_again_after_its_delay() -> None:
    bench = stuck_valve()
    assert bench.release("feed").granted
    bench.run(20)
    bench.read(ZSC=0.0)
    bench.run(30)
    assert bench.level("feed") == "idle"
    bench.run(1)
    assert bench.level("feed") == "stop"
    bench.read(ZSC=1.0)
    bench.run(60)
    assert bench.level("feed") == "stop"  # latched again, not just held


# --- strangers ----------------------------------------------------------------------------------------------------


def test_a_foreign_write_latches_the_permission_in_the_same_scan() -> None:
    bench = Bench()
    bench.deliver()
    bench.read_back({**WRITTEN, "product": 1}, WRITTEN)
    assert [event.facts for event in bench.found(EventKind.FOREIGN_WRITE)] == [{"read": 1, "written": PERMIT}]
    assert bench.state.outputs["product"].latches == (FOREIGN,)
    assert bench.level("product") == "withdrawn"


def test_a_foreign_write_to_a_stop_is_journaled_and_changes_no_level() -> None:
    bench = Bench()
    bench.deliver()
    bench.read_back({**WRITTEN, "feed": STOP}, WRITTEN)
    assert bench.found(EventKind.FOREIGN_WRITE, "feed")
    assert bench.outcome.levels == {"product": "permitted", "feed": "idle", "supply": "idle"}


def test_a_controller_that_keeps_its_registers_is_journaled_once_not_with_every_read_back() -> None:
    bench = Bench()
    bench.deliver()
    for _ in range(50):
        bench.read_back({**WRITTEN, "product": 1}, WRITTEN)
    assert len(bench.found(EventKind.FOREIGN_WRITE)) == 1
    bench.read_back(WRITTEN, WRITTEN)
    bench.read_back({**WRITTEN, "product": 1}, WRITTEN)
    assert len(bench.found(EventKind.FOREIGN_WRITE)) == 2


def test_a_controller_that_restarted_is_no_stranger() -> None:
    bench = Bench()
    bench.deliver()
    bench.scan(Readback(codes=dict.fromkeys(WRITTEN, 0), written=WRITTEN, blank=True))
    assert bench.found(EventKind.CONTROLLER_RESTARTED)
    assert not bench.found(EventKind.FOREIGN_WRITE)
    assert bench.level("product") == "permitted"


def test_somebody_who_writes_zero_is_told_from_a_controller_that_restarted_by_the_heartbeat() -> None:
    bench = Bench()
    bench.deliver()
    bench.read_back(dict.fromkeys(WRITTEN, 0), WRITTEN)
    assert not bench.found(EventKind.CONTROLLER_RESTARTED)
    assert bench.found(EventKind.FOREIGN_WRITE)
    assert bench.level("product") == "withdrawn"


def test_the_first_read_on_a_new_connection_is_compared_with_nothing() -> None:
    bench = Bench()
    bench.deliver()
    bench.read_back({**WRITTEN, "product": 7})
    assert not bench.found(EventKind.FOREIGN_WRITE)


# --- the restart rule: each condition missing in turn --------------------------------------------------------------


def test_a_short_stop_while_delivering_returns_after_its_time_of_good_data() -> None:
    bench = Bench()
    bench.deliver()
    again = restarted(bench)
    assert again.kinds(again.events, "product") == [EventKind.PROVING]
    again.read_back(WRITTEN)
    again.run(99)
    assert again.level("product") == "withdrawn"
    again.run(1)
    assert again.level("product") == "permitted"
    assert again.found(EventKind.RETURNED, "product")


@pytest.mark.parametrize(
    ("away_ms", "same_boot", "code", "why"),
    [
        pytest.param(60_000, True, PERMIT, "away too long", id="a minute since the last commit"),
        pytest.param(5_000, False, PERMIT, "away too long", id="another boot"),
        pytest.param(5_000, True, 0, "the controller did not hold the permission", id="permission not held"),
    ],
)
def test_without_one_condition_of_the_restart_rule_it_stays_latched(
    *, away_ms: int, same_boot: bool, code: int, why: str
) -> None:
    bench = Bench()
    bench.deliver()
    again = restarted(bench, away_ms=away_ms, same_boot=same_boot)
    again.read_back({**WRITTEN, "product": code})
    again.run(250)
    assert again.level("product") == "withdrawn"
    assert again.state.outputs["product"].latches == (START,)
    assert [event.reason for event in again.found(EventKind.START_LATCHED, "product")] == [why]


def test_just_under_a_minute_is_short_enough() -> None:
    bench = Bench()
    bench.deliver()
    assert restarted(bench, away_ms=59_999).state.outputs["product"].proving


def test_who_was_not_delivering_before_the_stop_stays_latched() -> None:
    bench = Bench()
    bench.deliver()
    bench.read(TANK=96.0)  # full: withdrawn without a latch
    bench.run(1)
    again = restarted(bench)
    again.read_back(WRITTEN)
    assert again.state.outputs["product"].latches == (START,)


def test_a_trip_survives_the_restart_and_needs_no_second_latch() -> None:
    again = restarted(tripped_by_turbidity())
    again.read_back(WRITTEN)
    again.run(150)
    assert again.state.outputs["product"].latches == ("I-TURB",)
    assert again.level("product") == "withdrawn"


def test_the_time_begins_again_when_a_critical_reading_is_lost_for_a_moment() -> None:
    bench = Bench()
    bench.deliver()
    again = restarted(bench)
    again.read_back(WRITTEN)
    again.run(80)
    again.read(CHLORINE=Reason.NO_ANSWER)
    again.run(1)
    again.read(CHLORINE=5.0)
    again.run(100)
    assert again.level("product") == "withdrawn"
    again.run(1)
    assert again.level("product") == "permitted"


def test_the_time_does_not_count_while_a_cause_stands() -> None:
    bench = Bench()
    bench.deliver()
    again = restarted(bench)
    again.read_back(WRITTEN)
    again.read(TANK=96.0)
    again.run(150)
    assert again.level("product") == "withdrawn"


def test_a_trip_while_proving_ends_the_proving_for_good() -> None:
    bench = Bench()
    bench.deliver()
    again = restarted(bench)
    again.read_back(WRITTEN)
    again.read(TURB=12.0)
    again.run(20)
    again.read(TURB=0.5)
    again.run(250)
    assert again.level("product") == "withdrawn"
    assert not again.found(EventKind.RETURNED)


def test_the_time_never_runs_out_before_the_controller_was_read() -> None:
    bench = Bench()
    bench.deliver()
    again = restarted(bench)
    again.run(150)
    assert again.level("product") == "withdrawn"
    again.read_back({**WRITTEN, "product": 0})
    again.run(150)
    assert again.level("product") == "withdrawn"


def test_a_stop_that_was_tripped_keeps_its_level_and_its_delays_over_a_reboot() -> None:
    rule = next(one for one in OUTPUTS if one.id == "feed")
    state = replace(
        output.first_start(rule, 0)[0], level="stop", level_since_ms=90_000, safe_since_ms=90_000, latches=("I-VALVE",)
    )
    after, said = output.after_restart(rule, state, shift_ms=-80_000, barred="away too long", now_ms=12_000)
    assert (after.level, after.latches, said) == ("stop", ("I-VALVE",), [])
    assert (after.level_since_ms, after.safe_since_ms) == (10_000, 10_000)


def test_an_interlock_held_after_a_restart_holds_its_outputs_and_is_released_with_them() -> None:
    held = tuple(replace(one, hold_after_restart=one.id == "I-TURB") for one in INTERLOCKS)
    bench = Bench(plant_with(interlocks=held))
    bench.deliver()
    again = restarted(bench)
    assert again.found(EventKind.RESTART_HOLD, "I-TURB")
    again.read_back(WRITTEN)
    again.read(ZSC=1.0)
    again.run(62)
    assert again.state.outputs["product"].latches == ("I-TURB",)
    again.ask(Action.GRAB_SAMPLE, measured={"turbidity_ntu": 0.8, "total_chlorine_mg_l": 5.1})
    assert again.release("product").granted
    assert again.level("product") == "permitted"


# --- levels -------------------------------------------------------------------------------------------------------


def test_a_level_that_is_neither_safe_nor_normal_gives_way_to_the_safe_one() -> None:
    rule = replace(OUTPUTS[0], codes={"permitted": PERMIT, "withdrawn": 0, "half": 7})
    state = output.release(rule, output.first_start(rule, 0)[0], 0)
    state = replace(state, baseline_awaited=False)
    half, _ = output.step(rule, state, [("I-1", "half")], good=True, now_ms=1)
    both, _ = output.step(rule, state, [("I-1", "half"), ("I-2", "withdrawn")], good=True, now_ms=1)
    assert (half.level, both.level) == ("half", "withdrawn")


def test_a_resume_level_lasts_exactly_its_time() -> None:
    bench = stuck_valve()
    assert bench.release("feed").granted
    bench.run(14)
    assert bench.level("feed") == "resume"
    bench.run(1)
    assert bench.level("feed") == "idle"


def test_a_read_back_confirms_only_the_level_that_was_read() -> None:
    state, _ = output.first_start(OUTPUTS[0], 0)
    readback = Readback(codes={"product": 0}, written={"product": 0}, confirmed={"product": "withdrawn"})
    after, said = output.read_back(OUTPUTS[0], state, readback, controller_restarted=False, now_ms=1)
    assert (after.confirmed, said) == ("withdrawn", [])


def test_a_second_latch_moves_the_moment_since_when_samples_count() -> None:
    state, _ = output.first_start(OUTPUTS[0], 0)
    again = output.latch(replace(state, flushed_m3=3.0), "I-TURB", 5_000)
    assert (again.latches, again.latched_ms, again.flushed_m3) == ((START, "I-TURB"), 5_000, 0.0)
    assert output.latch(again, "I-TURB", 9_000) == again


def test_the_plant_of_these_tests_diverts_with_every_water_interlock() -> None:
    assert all(DIVERT[0].output == effect.output for one in PLANT.interlocks[:6] for effect in one.effects)
