"""Row h: the whole demo site in the direct gear, plant and decisions in one process."""

import gc
import time
from collections.abc import Sequence

from gateway.configuration.plant import load_site
from simulator.almanac import HOUR_MS, SECOND_MS
from simulator.direct import DAYS_SCAN_S, DirectRun, month
from simulator.site import DEMO_SITE
from tests.bench.frame import Figure, Goal, Scale

_HOURS, _SHORT_HOURS = 2.0, 0.1
_COARSE_SCAN_S = 10.0
_GOAL_MIN, _STRETCH_MIN = 15, 5


def direct_gear(scale: Scale) -> Sequence[Figure]:
    """Row h: some hours after another of the month with all its events."""
    hours = _SHORT_HOURS if scale.short else _HOURS
    took_s, coarse_s = (_pieces(scan_s, hours, scale.rounds) for scan_s in (DAYS_SCAN_S, _COARSE_SCAN_S))
    rate = Figure(name="demo site", unit="plant days/s", gateway=[hours / 24 / seconds for seconds in took_s])
    whole = Figure(
        name=f"a month of {month().days} days",
        unit="min",
        gateway=[_month_min(seconds, hours) for seconds in took_s],
        goal=Goal(at_most=_GOAL_MIN, stretch=_STRETCH_MIN),
        remark=f"extrapolated: each value is from {hours:g} plant hours, a scan every {DAYS_SCAN_S:g} plant seconds",
    )
    coarse = Figure(
        name=f"the same, a scan every {_COARSE_SCAN_S:g} plant seconds",
        unit="min",
        gateway=[_month_min(seconds, hours) for seconds in coarse_s],
        remark="half of the readings, delays to ten seconds",
    )
    return rate, whole, coarse


def _month_min(took_s: float, hours: float) -> float:
    return month().days * 24 / hours * took_s / 60


def _pieces(scan_s: float, hours: float, rounds: int) -> list[float]:
    run = DirectRun(load_site(DEMO_SITE), month(), scan_ms=round(scan_s * SECOND_MS))
    run.run_to(run.plant.now_ms + SECOND_MS * 60)  # what the first scans make once and for all
    gc.collect()
    gc.freeze()
    took_s = [_took_s(run, hours, scan_s) for _ in range(rounds)]
    gc.unfreeze()
    return took_s


def _took_s(run: DirectRun, hours: float, scan_s: float) -> float:
    began_ms, began_s, scans = run.plant.now_ms, time.perf_counter(), run.gear.state.scan
    run.run_to(began_ms + round(hours * HOUR_MS))
    took_s = time.perf_counter() - began_s
    assert run.gear.state.scan - scans == round(hours * 3_600 / scan_s)
    return took_s
