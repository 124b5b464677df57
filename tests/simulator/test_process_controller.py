"""PC1: tables of what it does by itself (scenario sections 6 and 7). Plant time in milliseconds, no waiting."""

from dataclasses import replace
from itertools import count

import pytest

from simulator import controller as pc1
from simulator.controller import Controller, Inputs, NotWritable

PERMIT, STOP, RESUME = 42405, 13107, 42405
START_MS = 1_738_368_000_000


class Bench:
    """PC1 on the bench with a gateway that beats every 5 s while it lives."""

    def __init__(self) -> None:
        self.unit = pc1.started(START_MS)
        self.inputs = Inputs()
        self.alive = True
        self.codes = (PERMIT, 0, 0)
        self._beat = count(1)

    def run(self, seconds: float) -> Controller:
        for _ in range(round(seconds * 10)):
            at_ms = self.unit.now_ms + 100
            self.unit = pc1.step(self.unit, self.inputs, at_ms=at_ms)
            if self.alive and (at_ms - START_MS) % 5_000 == 0:
                self.write()
        return self.unit

    def write(self) -> None:
        values = (next(self._beat) % 65_536, *self.codes)
        self.unit = pc1.written(self.unit, address=320, values=values, at_ms=self.unit.now_ms)


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def delivering(bench: Bench) -> Bench:
    bench.run(100)
    assert bench.unit.proven_product
    assert bench.unit.cause == 0
    assert bench.unit.shown_state == pc1.PRODUCE
    return bench


def test_it_starts_at_divert_with_feed_and_toilets_running(bench: Bench) -> None:
    bench.alive = False
    unit = bench.run(20)
    assert (unit.proven_divert, unit.feed_runs, unit.pump_runs, unit.supply_solenoid) == (True, True, True, True)
    assert unit.cause == pc1.CAUSE_PERMISSION | pc1.CAUSE_HEARTBEAT
    assert unit.registers == (0, 0, 0, 0)


def test_permission_is_followed_only_after_sixty_seconds_of_good_heartbeat(bench: Bench) -> None:
    assert not bench.run(64.9).product_solenoid
    assert bench.run(0.2).product_solenoid


def test_heartbeat_lost_diverts_within_fifteen_seconds_and_proves_it_within_the_stroke(delivering: Bench) -> None:
    delivering.alive = False
    last_ms = delivering.unit.beat_ms
    while delivering.unit.product_solenoid:
        delivering.run(0.1)
    assert delivering.unit.now_ms - last_ms == 15_000
    assert delivering.unit.cause == pc1.CAUSE_HEARTBEAT
    off_ms = delivering.unit.now_ms
    while not delivering.unit.proven_divert:
        delivering.run(0.1)
    assert delivering.unit.now_ms - off_ms == 12_000
    assert (delivering.unit.feed_runs, delivering.unit.pump_runs) == (True, True)


def test_a_write_that_repeats_the_heartbeat_is_no_heartbeat(delivering: Bench) -> None:
    delivering.alive = False
    for _ in range(8):
        delivering.run(2)
        delivering.unit = pc1.written(
            delivering.unit, address=320, values=delivering.unit.registers, at_ms=delivering.unit.now_ms
        )
    assert delivering.unit.heartbeat_lost
    assert not delivering.unit.product_solenoid


def test_a_gap_within_the_sixty_seconds_starts_them_again(bench: Bench) -> None:
    bench.run(40)
    bench.alive = False
    bench.run(16)
    bench.alive = True
    assert not bench.run(60).product_solenoid
    assert bench.run(10).product_solenoid


@pytest.mark.parametrize("code", [0, 1, 13107, 42404, 42406, 65535])
def test_any_other_permission_diverts_at_once(delivering: Bench, code: int) -> None:
    delivering.codes = (code, 0, 0)
    delivering.write()
    assert not delivering.run(0.1).product_solenoid
    assert delivering.unit.cause == pc1.CAUSE_PERMISSION
    assert delivering.run(12).proven_divert
    assert delivering.unit.shown_state == pc1.DIVERT


def test_the_stop_code_stops_and_stays_until_42405_comes_with_a_live_heartbeat(delivering: Bench) -> None:
    delivering.codes = (0, STOP, STOP)
    delivering.write()
    assert delivering.run(0.9).feed_runs
    assert not delivering.run(0.3).feed_runs
    assert not delivering.unit.pump_runs
    assert not delivering.run(13).supply_proven_closed
    assert delivering.run(1.5).supply_proven_closed
    delivering.codes = (0, 0, 0)
    unit = delivering.run(60)
    assert (unit.feed_stopped, unit.supply_stopped, unit.feed_runs, unit.pump_runs) == (True, True, False, False)
    assert unit.cause == pc1.CAUSE_PERMISSION | pc1.CAUSE_STOP
    assert unit.shown_state == pc1.LOCKED
    delivering.codes = (0, RESUME, 0)
    unit = delivering.run(6)
    assert (unit.feed_stopped, unit.supply_stopped, unit.feed_runs) == (False, True, True)
    delivering.codes = (0, 0, RESUME)
    assert delivering.run(25).supply_position == 1.0


def test_42405_without_a_live_heartbeat_lets_go_of_nothing_and_not_later_either(delivering: Bench) -> None:
    delivering.codes = (0, STOP, 0)
    delivering.write()
    delivering.alive = False
    delivering.run(20)
    delivering.unit = pc1.written(delivering.unit, address=322, values=(RESUME,), at_ms=delivering.unit.now_ms)
    assert delivering.unit.feed_stopped
    assert delivering.run(100).feed_stopped


def test_mains_lost_drops_the_solenoids_after_two_seconds_and_they_return_by_themselves(delivering: Bench) -> None:
    delivering.inputs = replace(delivering.inputs, mains=False)
    unit = delivering.run(1.9)
    assert (unit.product_solenoid, unit.feed_runs, unit.pump_runs) == (True, False, False)
    unit = delivering.run(0.3)
    assert (unit.product_solenoid, unit.supply_solenoid, unit.cause) == (False, False, pc1.CAUSE_MAINS)
    assert delivering.run(12).proven_divert
    delivering.inputs = replace(delivering.inputs, mains=True)
    unit = delivering.run(0.1)
    assert (unit.product_solenoid, unit.supply_solenoid, unit.feed_runs, unit.cause) == (True, True, True, 0)


def test_a_dip_of_the_mains_under_two_seconds_moves_no_valve(delivering: Bench) -> None:
    delivering.inputs = replace(delivering.inputs, mains=False)
    delivering.run(1.5)
    delivering.inputs = replace(delivering.inputs, mains=True)
    assert delivering.run(5).proven_product


def test_a_stuck_valve_stays_whatever_its_solenoid_says(delivering: Bench) -> None:
    delivering.inputs = replace(delivering.inputs, stuck=frozenset({"XV-901"}))
    delivering.codes = (0, 0, 0)
    unit = delivering.run(60)
    assert (unit.product_solenoid, unit.proven_product, unit.proven_divert) == (False, True, False)


def test_a_restart_zeroes_the_registers_and_keeps_the_stop_latches(delivering: Bench) -> None:
    delivering.codes = (PERMIT, STOP, 0)
    delivering.run(10)
    delivering.alive = False
    delivering.unit = pc1.restarted(delivering.unit, delivering.unit.now_ms)
    assert delivering.unit.registers == (0, 0, 0, 0)
    assert delivering.unit.shown_state == pc1.STARTING
    unit = delivering.run(13)
    assert (unit.feed_stopped, unit.proven_divert, unit.feed_runs) == (True, True, False)


@pytest.mark.parametrize(("address", "number"), [(319, 1), (319, 4), (320, 5), (323, 2), (324, 1), (0, 1), (320, 0)])
def test_nothing_outside_320_to_323_can_be_written(bench: Bench, address: int, number: int) -> None:
    before = bench.unit
    with pytest.raises(NotWritable):
        pc1.written(before, address=address, values=(1,) * number, at_ms=before.now_ms)
    assert bench.unit == before


def test_the_feed_falls_back_when_the_buffers_level_is_lost(bench: Bench) -> None:
    bench.inputs = Inputs(feed_m3_h=1.7)
    assert bench.run(1).setpoint_m3_h == 1.7
    bench.inputs = Inputs(feed_m3_h=1.7, buffer_seen=False)
    assert bench.run(1).setpoint_m3_h == 1.0


def test_a_little_ozone_in_the_room_for_five_minutes_switches_the_skid_off_until_somebody_resets_it(
    delivering: Bench,
) -> None:
    delivering.inputs = replace(delivering.inputs, ozone_ppm=0.15)
    assert not delivering.run(299).ozone_off
    unit = delivering.run(2)
    assert (unit.ozone_off, unit.cause) == (True, pc1.CAUSE_OZONE_ROOM)
    delivering.inputs = replace(delivering.inputs, ozone_ppm=0.01)
    assert delivering.run(600).ozone_off
    assert pc1.restarted(delivering.unit, delivering.unit.now_ms).ozone_off
    delivering.unit = pc1.reset(delivering.unit)
    assert not delivering.run(10).ozone_off


def test_much_ozone_in_the_room_switches_the_skid_off_after_thirty_seconds(delivering: Bench) -> None:
    delivering.inputs = replace(delivering.inputs, ozone_ppm=0.35)
    assert not delivering.run(29).ozone_off
    assert delivering.run(2).ozone_off


def test_ozone_that_comes_and_goes_does_not_add_up(delivering: Bench) -> None:
    for _ in range(3):
        delivering.inputs = replace(delivering.inputs, ozone_ppm=0.15)
        delivering.run(200)
        delivering.inputs = replace(delivering.inputs, ozone_ppm=0.05)
        delivering.run(1)
    assert not delivering.unit.ozone_off


def test_a_high_sump_wants_the_lag_pump_after_thirty_seconds_until_it_is_down(delivering: Bench) -> None:
    delivering.inputs = replace(delivering.inputs, sump_m=1.55)
    assert not delivering.run(29).sump_high
    unit = delivering.run(2)
    assert (unit.sump_high, unit.cause) == (True, pc1.CAUSE_SUMP)
    delivering.inputs = replace(delivering.inputs, sump_m=1.30)
    assert delivering.run(60).sump_high
    delivering.inputs = replace(delivering.inputs, sump_m=1.15)
    assert not delivering.run(1).sump_high


def test_the_high_float_wants_the_lag_pump_at_once(delivering: Bench) -> None:
    delivering.inputs = replace(delivering.inputs, sump_float=True)
    assert delivering.run(0.1).sump_high


def test_its_own_heartbeat_counts_seconds_and_rolls_over(bench: Bench) -> None:
    assert pc1.heartbeat(bench.run(7)) == 7
    assert pc1.heartbeat(replace(bench.unit, now_ms=START_MS + 65_536_000)) == 0


def test_its_clock_shows_local_time() -> None:
    assert pc1.clock_digits(START_MS) == 250_201_000_000
