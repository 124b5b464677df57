"""Row h: the whole demo site in the direct gear, plant and decisions in one process."""

import time
from collections.abc import Sequence

from gateway.configuration.plant import load_site
from simulator.almanac import HOUR_MS, SECOND_MS
from simulator.direct import DAYS_SCAN_S, DirectRun, month
from simulator.site import DEMO_SITE
from tests.bench.frame import Figure, Goal, Scale

_HOURS, _SHORT_HOURS = 2.0, 0.1
_GOAL_MIN, _STRETCH_MIN = 15, 5


def direct_gear(scale: Scale) -> Sequence[Figure]:
    """Row h: some hours after another of the month with all its events."""
    hours = _SHORT_HOURS if scale.short else _HOURS
    event = month()
    run = DirectRun(load_site(DEMO_SITE), event, scan_ms=round(DAYS_SCAN_S * SECOND_MS))
    run.run_to(run.plant.now_ms + SECOND_MS * 60)  # what the first scans make once and for all
    took_s = [_took_s(run, hours) for _ in range(scale.rounds)]
    rate = Figure(name="demo site", unit="plant days/s", gateway=[hours / 24 / seconds for seconds in took_s])
    whole = Figure(
        name=f"a month of {event.days} days",
        unit="min",
        gateway=[event.days * 24 / hours * seconds / 60 for seconds in took_s],
        goal=Goal(at_most=_GOAL_MIN, stretch=_STRETCH_MIN),
        remark=f"extrapolated: each value is from {hours:g} plant hours, a scan every {DAYS_SCAN_S:g} plant seconds",
    )
    return rate, whole


def _took_s(run: DirectRun, hours: float) -> float:
    began_ms, began_s, scans = run.plant.now_ms, time.perf_counter(), run.gear.state.scan
    run.run_to(began_ms + round(hours * HOUR_MS))
    took_s = time.perf_counter() - began_s
    assert run.gear.state.scan - scans == round(hours * 3_600 / DAYS_SCAN_S)
    return took_s
