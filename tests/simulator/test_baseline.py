"""The process against the baseline table of scenario section 4, run directly, without sockets.

More seeds: ``python -m simulator.baseline 4 5 6``.
"""

import random
from dataclasses import replace
from functools import cache

import pytest

from simulator import baseline, process
from simulator.almanac import local_ms
from simulator.baseline import TABLE, Day, compared
from simulator.process import Controls

SEEDS = (1, 2, 3)


@cache
def days(seed: int) -> dict[str, Day]:
    return baseline.days(seed)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("date", TABLE)
def test_the_process_meets_the_baseline_table(date: str, seed: int) -> None:
    assert [figure for figure in compared(days(seed)[date], TABLE[date]) if not figure.fits] == []


def test_a_day_that_is_off_is_found_out() -> None:
    day, row = days(1)["2025-02-17"], TABLE["2025-02-17"]
    off = replace(row, emergency_m3=0.0, mean_ntu=1.1, tank_m3=(10.0, 28.5))
    misfits = [figure.name for figure in compared(day, off) if not figure.fits]
    assert misfits == ["AIT-510 mean", "EHT m3 at midnight", "RWT m3 min"]


@pytest.mark.parametrize("seed", SEEDS)
def test_e07_the_holiday_fills_the_emergency_tank_day_by_day_and_spills_nothing(seed: int) -> None:
    seen = days(seed)
    assert seen["2025-02-14"].emergency_m3 == 0
    assert seen["2025-02-16"].emergency_m3 == pytest.approx(20, abs=2.5)
    assert max(seen["2025-02-15"].buffer_m3) == pytest.approx(55.0)
    last = seen["2025-02-17"]
    assert last.spilled_m3 == 0
    assert 0.80 < last.emergency_m3 / 40 < 0.90
    assert 478 < min(last.contact_mg_min_l) < 520


@pytest.mark.parametrize("seed", SEEDS)
def test_e04_the_dose_of_the_holiday_evenings_lies_in_the_pre_alarm(seed: int) -> None:
    lowest = [min(days(seed)[f"2025-02-{day}"].dose_mj_cm2) for day in (14, 15, 16, 17)]
    assert lowest == [pytest.approx(each, abs=0.3) for each in (107.5, 107.0, 106.5, 106.0)]


def test_the_same_seed_gives_the_same_water() -> None:
    runs = []
    for _ in range(2):
        state, draws = process.start(local_ms("2025-02-01 00:00")), random.Random(7)  # noqa: S311 - noise
        for _ in range(500):
            state = process.step(state, Controls(feed_setpoint_m3_h=1.0), dt_s=1.0, draws=draws)
        runs.append(state)
    assert runs[0] == runs[1]


def test_no_water_is_made_or_lost() -> None:
    state, draws = process.start(local_ms("2025-02-01 12:00")), random.Random(3)  # noqa: S311 - noise
    before = state
    inflow_m3 = feed_m3 = out_m3 = 0.0
    for _ in range(20_000):
        state = process.step(state, Controls(feed_setpoint_m3_h=1.5, product_share=0.6), dt_s=1.0, draws=draws)
        inflow_m3 += state.inflow_m3_h / 3600
        feed_m3 += state.feed_m3_h / 3600
        out_m3 += state.tap.flow_m3_h / 3600
    upstream = (state.buffers.eq_m3 - before.buffers.eq_m3) + (state.sump.level_m - before.sump.level_m) * 1.2
    assert upstream == pytest.approx(inflow_m3 - feed_m3, abs=1e-6)
    totals = state.totals
    assert totals.feed_m3 == pytest.approx(feed_m3)
    assert totals.into_tank_m3 + totals.diverted_m3 == pytest.approx(out_m3, abs=1e-6)
    stored = state.tank.volume_m3 - before.tank.volume_m3
    assert stored == pytest.approx(totals.into_tank_m3 + totals.makeup_m3 - totals.delivered_m3, abs=1e-6)
