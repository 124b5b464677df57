"""Scripted events on the plant itself, without sockets: what becomes true, and what the devices then show."""

import json
import random
import struct
from collections.abc import Callable
from dataclasses import replace
from itertools import count

import pytest

from simulator import device_values, instruments
from simulator.almanac import local_ms
from simulator.devices import AN1, DISCRETE_INPUTS, HOLDING_REGISTERS, INPUT_REGISTERS
from simulator.events import EVENTS
from simulator.faults import SOUND
from simulator.plant import Pace, Plant, StandIn, truth, with_levels

PERMIT, STOP = 42405, 13107
beats = count(1)


COARSE = Pace(controller_ms=1_000, water_ms=5_000)  # for hours in which nothing depends on a second


def run(plant: Plant, seconds: float, each_s: Callable[[Plant], object]) -> None:
    """Run on, calling ``each_s`` every plant second."""
    for _ in range(round(seconds)):
        plant.advance(plant.now_ms + 1_000)
        each_s(plant)


def run_to_event(plant: Plant) -> None:
    """Up to the second before it strikes; most of the hour in coarse steps."""
    fine, plant.pace = plant.pace, COARSE
    run(plant, (plant.strikes_ms - plant.now_ms) / 1_000 - 60, StandIn().act)
    plant.pace = fine
    run(plant, 59, nothing_new)


def commanding(permit: int, feed: int = 0, supply: int = 0) -> Callable[[Plant], object]:
    def act(plant: Plant) -> None:
        if plant.now_ms % 5_000 == 0:
            plant.write(address=320, values=(next(beats) & 0xFFFF, permit, feed, supply))

    return act


def nothing_new(plant: Plant) -> None:
    """A gateway that goes on as before."""
    if plant.now_ms % 5_000 == 0:
        beat, *codes = plant.controller.registers
        plant.write(address=320, values=((beat + 1) & 0xFFFF, *codes))


def nothing(_plant: Plant) -> None:
    """No gateway."""


def float_at(plant: Plant, address: int) -> float:
    """Read as CDAB by hand: low word first."""
    words = plant.image("AN1").tables[HOLDING_REGISTERS]
    value: float = struct.unpack(">f", struct.pack(">HH", words[address + 1], words[address]))[0]
    return value


def discrete(plant: Plant, address: int) -> int:
    return plant.image("RI1").tables[DISCRETE_INPUTS][address]


@pytest.mark.parametrize("seed", [1, 2])
def test_e01_gives_the_peak_and_the_minutes_of_the_scenario(seed: int) -> None:
    plant = Plant(EVENTS["E01"], seed=seed, pace=COARSE)
    run_to_event(plant)
    assert plant.state.totals.above_2_s == 0
    run(plant, 3.5 * 3600, StandIn().act)
    totals = plant.state.totals
    assert totals.peak_ntu == pytest.approx(12.7, abs=0.15)
    assert totals.above_10_s / 60 == pytest.approx(17, abs=1)
    assert totals.above_5_s / 60 == pytest.approx(68.6, abs=2.5)
    assert totals.above_2_s / 60 == pytest.approx(149, abs=7)
    assert plant.state.feed_m3_h == pytest.approx(0.90, abs=0.001)


def test_e01_undiverted_spoils_the_tank_only_after_the_waters_way_and_by_the_litres_of_the_limit() -> None:
    plant = Plant(EVENTS["E01"], pace=COARSE)
    run_to_event(plant)
    way_s = 5.15 / 0.90 * 3600
    run(plant, way_s - 60, StandIn().act)
    assert plant.state.totals.spoiled_m3 == 0
    run(plant, 81 * 60, StandIn().act)
    minutes_above_5 = plant.state.totals.above_5_s / 60
    assert plant.state.totals.spoiled_turbidity_m3 == pytest.approx(minutes_above_5 / 60 * 0.90, rel=0.02)


def test_e01_diverted_in_time_spoils_nothing() -> None:
    plant = Plant(EVENTS["E01"], pace=COARSE)
    run_to_event(plant)
    assert plant.controller.proven_product
    run(plant, 120, commanding(PERMIT))
    run(plant, 8 * 3600, commanding(0))
    assert plant.controller.proven_divert
    assert plant.state.totals.spoiled_m3 == 0
    assert plant.state.totals.above_10_s > 900


def test_e01_shows_on_the_analyzer_after_sample_line_and_response() -> None:
    plant = Plant(EVENTS["E01"])
    run_to_event(plant)
    run(plant, 20, nothing)
    assert float_at(plant, 16) < 1.0
    run(plant, 20 + 60, nothing)
    assert float_at(plant, 16) == pytest.approx(12.4, abs=0.4)


def test_e03_freezes_the_value_and_the_flow_switch_tells() -> None:
    plant = Plant(EVENTS["E03"])
    run_to_event(plant)
    assert discrete(plant, 3) == 1
    run(plant, 3, nothing)
    assert discrete(plant, 3) == 0
    assert float_at(plant, 18) == 0
    assert plant.image("AN1").tables[HOLDING_REGISTERS][20] & 0b10000
    shown = set()
    run(plant, 600, lambda plant: shown.add(plant.image("AN1").tables[HOLDING_REGISTERS][16]))
    assert len(shown) == 1
    assert float_at(plant, 16) == pytest.approx(0.71)


def test_e03_variant_b_leaves_only_the_frozen_value() -> None:
    plant = Plant(EVENTS["E03b"])
    run_to_event(plant)
    run(plant, 60, nothing)
    assert discrete(plant, 3) == 1
    assert plant.image("AN1").tables[HOLDING_REGISTERS][20] == 0
    assert float_at(plant, 16) == pytest.approx(0.71)


def test_e13_keeps_the_valve_at_product_and_counts_the_litres_until_the_feed_stops() -> None:
    plant = Plant(EVENTS["E13"])
    run_to_event(plant)
    run(plant, 2, nothing)
    assert plant.image("AN2").tables[INPUT_REGISTERS][0] == 120
    run(plant, 148, commanding(0))
    assert plant.controller.product_solenoid is False
    assert plant.controller.proven_product
    assert (discrete(plant, 0), discrete(plant, 1)) == (1, 0)
    flow_m3_h = plant.state.tap.flow_m3_h
    run(plant, 30, commanding(0, STOP, STOP))
    spoiled_l = plant.state.totals.spoiled_chlorine_m3 * 1_000
    transit_s = 0.006 / flow_m3_h * 3600
    assert spoiled_l == pytest.approx(flow_m3_h / 3.6 * (155 - transit_s), rel=0.05)
    assert plant.state.feed_m3_h == 0
    run(plant, 600, commanding(0, STOP, STOP))
    assert plant.state.totals.spoiled_chlorine_m3 * 1_000 == pytest.approx(spoiled_l)
    assert discrete(plant, 2) == 1
    assert plant.state.tank.delivered_m3_h == 0


def test_e13_variant_b_shows_weak_water_that_is_good() -> None:
    plant = Plant(EVENTS["E13b"])
    run_to_event(plant)
    run(plant, 300, commanding(0))
    assert plant.image("AN2").tables[INPUT_REGISTERS][0] == 120
    assert plant.state.totals.spoiled_m3 == 0


def test_a_residual_that_steps_is_seen_after_line_and_response_and_reaches_the_valve_first() -> None:
    plant = Plant(EVENTS["E13c"])
    run_to_event(plant)
    shown: list[int] = []
    run(plant, 200, lambda plant: shown.append(plant.image("AN2").tables[INPUT_REGISTERS][0]))
    first_below_s = next(at for at, reading in enumerate(shown) if reading < 200)
    assert 60 < first_below_s < 140
    assert plant.state.totals.spoiled_m3 > 0


def test_a_full_tank_makes_the_stand_in_divert_and_room_brings_it_back() -> None:
    plant = Plant(EVENTS["calm"], start_ms=local_ms("2025-02-04 12:00"))
    act = StandIn().act
    run(plant, 120, act)
    assert plant.controller.proven_product
    plant.state = with_levels(plant, tank_m3=28.6)
    run(plant, 30, act)
    assert plant.controller.proven_divert
    plant.state = with_levels(plant, tank_m3=27.0)
    run(plant, 270, act)
    assert plant.controller.proven_divert
    run(plant, 60, act)
    assert plant.controller.proven_product


def test_bubbles_come_about_every_second_day_and_leave_within_ten_seconds() -> None:
    draws = random.Random(5)  # noqa: S311 - noise
    panel, runs, lasting = instruments.settled(device_values.true_values(Plant(EVENTS["calm"]).state)), [], 0
    for _ in range(0, 20 * 86_400, 5):
        panel = instruments._bubbled(panel, dt_s=5.0, draws=draws)
        if panel.bubble_left_s > 0:
            assert 8 <= panel.bubble_ntu <= 20
            lasting += 1
        elif lasting:
            runs.append(lasting)
            lasting = 0
    assert 4 <= len(runs) <= 17
    assert max(runs) <= 2


def test_a_bubble_shows_on_ait_510_alone() -> None:
    true = device_values.true_values(Plant(EVENTS["calm"]).state)
    panel = replace(instruments.settled(true), bubble_ntu=18.0, bubble_left_s=6.0)
    draws = random.Random(1)  # noqa: S311 - noise
    panel = instruments.step(panel, true, SOUND, at_ms=0, dt_s=5.0, draws=draws)
    assert panel.reading("AIT-510") == 18.0
    assert panel.reading("AIT-511") < 1.0
    panel = instruments.step(panel, true, SOUND, at_ms=5_000, dt_s=5.0, draws=draws)
    assert panel.reading("AIT-510") < 1.0


@pytest.mark.parametrize(("tag", "sd"), [("FIT-801S", 0.30), ("LIT-901", 0.2), ("PIT-951", 0.03)])
def test_noise_has_the_spread_the_scenario_gives(tag: str, sd: float) -> None:
    true = device_values.true_values(Plant(EVENTS["calm"]).state)
    panel, draws = instruments.settled(true), random.Random(2)  # noqa: S311 - noise
    off: list[float] = []
    for at_s in range(0, 20_000, 10):
        panel = instruments.step(panel, true, SOUND, at_ms=at_s * 1_000, dt_s=10.0, draws=draws)
        off.append(panel.reading(tag) - true[tag])
    assert (sum(each**2 for each in off) / len(off)) ** 0.5 == pytest.approx(sd, rel=0.1)


def test_the_truth_is_ready_for_json_and_names_litres() -> None:
    true = truth(Plant(EVENTS["calm"]))
    assert json.loads(json.dumps(true))["out_of_limits_into_tank_l"] == 0
    assert true["local"] == "2025-02-26 09:00:00"


def test_the_decode_constant_of_an1_reads_right_low_word_first() -> None:
    assert float_at(Plant(EVENTS["calm"]), 90) == pytest.approx(12345.678, rel=1e-6)
    assert AN1.unit_id == 11
