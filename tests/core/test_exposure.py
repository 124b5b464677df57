"""Litres that may have passed before the output was proven safe, and which alarm of a group came first."""

from dataclasses import replace

import pytest

from gateway.core import exposure
from gateway.core.alarm import AlarmState
from gateway.core.exposure import QUIET, ExposureState
from gateway.core.first_out import first_out
from gateway.core.outcome import EventKind
from gateway.core.output import Readback
from gateway.core.quality import Reason
from gateway.core.restart import resume
from tests.core.plants import INTERLOCKS, STOP, Bench, plant_with

FLOW_M3_H = 3.6  # a litre a second


def delivering(bench: Bench | None = None) -> Bench:
    bench = bench or Bench()
    bench.deliver()
    bench.read(FLOW=FLOW_M3_H)
    bench.run(1)
    return bench


def test_litres_count_from_the_first_reading_in_condition_until_the_position_is_proven() -> None:
    bench = delivering()
    bench.read(TURB=12.0)
    bench.run(28)  # trips after 15 s, and the valve has not moved
    assert not bench.found(EventKind.EXPOSURE)
    bench.read(ZSC=1.0)
    bench.run(1)
    (event,) = bench.found(EventKind.EXPOSURE, "I-TURB")
    assert event.facts == {
        "passed_l": 27.0 - 5.0,
        "past_the_tap_l": 27.0,
        "held_back_l": 5.0,
        "lasted_s": 28.0,
        "flow_known": True,
    }


def test_water_that_is_still_on_its_way_to_the_valve_has_not_passed() -> None:
    assert exposure.passed_litres(ExposureState(litres=4.0), 5.0) == 0.0


def test_a_cause_that_goes_without_a_trip_is_nothing_to_report() -> None:
    bench = delivering()
    bench.read(TURB=12.0)
    bench.run(10)
    bench.read(TURB=0.5)
    bench.run(5)
    assert not bench.found(EventKind.EXPOSURE)
    assert bench.state.exposures["I-TURB"] == QUIET


def test_the_next_cause_counts_from_nothing() -> None:
    bench = delivering()
    bench.read(TURB=12.0)
    bench.run(10)
    bench.read(TURB=0.5)
    bench.run(1)
    bench.read(TURB=12.0)
    bench.run(16)
    bench.read(ZSC=1.0)
    bench.run(1)
    (event,) = bench.found(EventKind.EXPOSURE)
    assert event.facts["past_the_tap_l"] == 15.0


def test_an_unknown_flow_is_said_and_counts_nothing() -> None:
    bench = delivering()
    bench.read(TURB=12.0, FLOW=Reason.NO_ANSWER)
    bench.run(16)
    bench.read(ZSC=1.0)
    bench.run(1)
    (event,) = bench.found(EventKind.EXPOSURE)
    assert (event.facts["past_the_tap_l"], event.facts["flow_known"]) == (0.0, False)


def test_a_valve_that_stands_at_divert_already_lets_nothing_pass() -> None:
    bench = delivering()
    bench.read(ZSC=1.0, TURB=12.0)
    bench.run(30)
    assert bench.found(EventKind.TRIP, "I-TURB")
    assert not bench.found(EventKind.EXPOSURE)


def test_a_valve_that_closes_in_the_very_scan_of_the_trip_is_reported_too() -> None:
    bench = delivering()
    bench.read(TURB=12.0)
    bench.run(15)
    bench.read(ZSC=1.0)
    bench.run(1)
    assert bench.found(EventKind.TRIP, "I-TURB")
    assert [event.facts["past_the_tap_l"] for event in bench.found(EventKind.EXPOSURE)] == [14.0]


def test_a_feed_proven_stopped_ends_the_count_of_a_valve_that_sticks() -> None:
    stops = tuple(replace(one, exposure_stop="feed") if one.exposure_flow else one for one in INTERLOCKS)
    bench = delivering(Bench(plant_with(interlocks=stops)))
    bench.read(TURB=12.0)
    bench.run(50)
    assert bench.level("feed") == "stop"
    assert not bench.found(EventKind.EXPOSURE)
    bench.scan(Readback(codes={"feed": STOP}, written={"feed": STOP}, confirmed={"feed": "stop"}))
    assert [event.facts["past_the_tap_l"] for event in bench.found(EventKind.EXPOSURE)] == [49.0]


def test_a_restart_in_between_forgets_no_litre_and_says_that_some_time_is_unknown() -> None:
    bench = delivering()
    bench.read(TURB=12.0)
    bench.run(20)
    again = Bench(monotonic_ms=bench.monotonic_ms + 5_000)
    again.utc_ms = bench.utc_ms + 5_000
    again.state, _ = resume(bench.rules, bench.state, again.tick(), same_boot=True)
    again.reads = dict(bench.reads)
    again.run(2)
    again.read(ZSC=1.0)
    again.run(1)
    (event,) = again.found(EventKind.EXPOSURE)
    assert event.facts["past_the_tap_l"] == pytest.approx(19 + 2)
    assert (event.facts["flow_known"], event.facts["lasted_s"]) == (False, 19.0 + 5.0 + 3.0)


# --- first-out ----------------------------------------------------------------------------------------------------

CALM = AlarmState()


def risen(onset_ms: int) -> AlarmState:
    return AlarmState(active=True, acked=False, onset_ms=onset_ms, activated_ms=20_000)


GROUP = ("A", "B", "C")


def test_the_only_one_that_rises_is_first() -> None:
    assert first_out(GROUP, dict.fromkeys(GROUP, CALM), {"A": CALM, "B": risen(1), "C": CALM}) == "B"


def test_of_two_in_one_scan_the_earlier_onset_is_first_and_then_the_order_of_the_group() -> None:
    before = dict.fromkeys(GROUP, CALM)
    assert first_out(GROUP, before, {"A": risen(9_000), "B": CALM, "C": risen(8_000)}) == "C"
    assert first_out(GROUP, before, {"A": CALM, "B": risen(8_000), "C": risen(8_000)}) == "B"


def test_while_one_stands_nobody_is_first() -> None:
    assert first_out(GROUP, {"A": risen(1), "B": CALM, "C": CALM}, dict.fromkeys(GROUP, risen(1))) == ""
    assert first_out(GROUP, {"A": risen(1), "B": CALM, "C": CALM}, {"A": CALM, "B": risen(2), "C": CALM}) == ""


def test_a_scan_names_the_first_of_a_cascade_once() -> None:
    bench = Bench()
    bench.read(TURB=6.0)
    bench.run(6)
    bench.read(CHLORINE=1.0, TURB=Reason.DEVICE_FAULT)
    bench.run(30)
    assert [(event.subject, event.facts["group"]) for event in bench.found(EventKind.FIRST_OUT)] == [
        ("TURB-HIGH", "water")
    ]
