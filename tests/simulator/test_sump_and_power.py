"""Grinders of the sump, and the site's supply: what they do by themselves."""

import random

import pytest

from simulator import power
from simulator.grinders import P_101A
from simulator.power import Supply
from simulator.tanks import Sump, step_sump


def run(sump: Sump, minutes: float, inflow_m3_h: float, **other: object) -> tuple[Sump, list[Sump]]:
    draws, seen = random.Random(1), []  # noqa: S311 - noise
    asked: dict[str, object] = {"mains": True, "clogged": frozenset(), "lag_forced": False}
    for _ in range(round(minutes * 60)):
        sump = step_sump(sump, inflow_m3_h=inflow_m3_h, dt_s=1.0, draws=draws, **{**asked, **other})  # type: ignore[arg-type]
        seen.append(sump)
    return sump, seen


def test_one_grinder_starts_at_duty_and_stops_at_the_stop_level() -> None:
    _, seen = run(Sump(level_m=0.85), 40, 3.0)
    started = next(at for at, one in enumerate(seen) if one.first.runs)
    assert seen[started - 1].level_m == pytest.approx(0.90, abs=0.01)
    stopped = next(at for at, one in enumerate(seen) if at > started and not one.first.runs)
    assert seen[stopped - 1].level_m == pytest.approx(0.40, abs=0.01)
    assert not any(one.second.runs for one in seen)
    assert seen[-1].first.starts == Sump().first.starts + 1
    assert seen[-1].first.run_s - Sump().first.run_s == pytest.approx(stopped - started, abs=2)


def test_the_second_one_helps_at_the_lag_level_and_both_stop_together() -> None:
    _, seen = run(Sump(level_m=0.85), 90, 5.0)
    helped = next(one for one in seen if one.second.runs)
    assert helped.level_m == pytest.approx(1.20, abs=0.01)
    stopped = next(one for one in seen[seen.index(helped) :] if not one.second.runs)
    assert not stopped.first.runs


def test_e06_a_clogged_grinder_lifts_little_and_trips_after_six_minutes_of_running() -> None:
    sump, seen = run(Sump(level_m=0.95), 10, 3.0, clogged=frozenset({P_101A}))
    running = [one for one in seen if one.first.runs]
    assert len(running) == pytest.approx(360, abs=1)
    assert running[10].first.current_a == 10.8
    assert running[10].pumped_m3_h == pytest.approx(1.2, rel=0.15)
    assert sump.first.tripped
    assert sump.first.current_a == 0


def test_the_trip_goes_when_the_clog_is_taken_out() -> None:
    sump, _ = run(Sump(level_m=0.95), 10, 3.0, clogged=frozenset({P_101A}))
    sump, _ = run(sump, 0.1, 3.0)
    assert (sump.first.tripped, sump.first.runs) == (False, True)


def test_pc1_can_want_the_lag_pump_whatever_the_level() -> None:
    sump, _ = run(Sump(level_m=0.6), 0.1, 1.0, lag_forced=True)
    assert (sump.first.runs, sump.second.runs) == (False, True)


def test_without_mains_it_fills_and_runs_over_into_the_emergency_tank() -> None:
    sump, seen = run(Sump(level_m=1.7), 30, 2.0, mains=False)
    assert sump.level_m == pytest.approx(1.90)
    spilled_m3 = sum(one.spilled_m3_h for one in seen) / 3600
    assert spilled_m3 == pytest.approx(2.0 * 0.5 - 0.2 * 1.2, rel=0.01)
    assert sump.high_float


def test_the_ups_lasts_ninety_minutes_on_a_straight_line_and_fills_again() -> None:
    supply = Supply()
    for minute in range(90):
        assert not supply.dead
        assert supply.ups_left_min == pytest.approx(90 - minute)
        supply = power.step(supply, mains=False, wanted_kw=6.0, dt_s=60.0)
    supply = power.step(supply, mains=False, wanted_kw=6.0, dt_s=1.0)
    assert supply.dead
    assert supply.energy_kwh == Supply().energy_kwh
    supply = power.step(supply, mains=True, wanted_kw=6.0, dt_s=3_600.0)
    assert not supply.dead
    assert supply.ups_share == pytest.approx(0.2)
    assert supply.energy_kwh - Supply().energy_kwh == pytest.approx(6.0)
    assert supply.drawn_kw == 6.0
