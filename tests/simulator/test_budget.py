"""What the response budget computes, and what the water of the simulated plant does: the same within a tenth.

At 2.0 m3/h, in the direct gear. The residual at the outlet tap is stepped from
5.5 to 1.6 mg/L: the outlet trip cannot win. The hypochlorite pump is locked:
the trip for want of flow, two hours further up, lets nothing pass.
"""

import shutil
from collections.abc import Callable
from dataclasses import replace

import pytest

from gateway.configuration.plant import LoadedSite, load_site
from gateway.core.outcome import EventKind
from gateway.reports.budget import Race, budgets
from simulator.almanac import SECOND_MS, local_ms
from simulator.direct import DirectRun
from simulator.events import EVENTS
from simulator.faults import Faults
from simulator.plant import truth
from simulator.site import DEMO_SITE
from tests.site_copy import release_sooner

PEAK_M3_H = 2.0
EVERY_POLL = 5 * SECOND_MS
LEAD_MS = 15 * 60 * SECOND_MS


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> LoadedSite:
    copy = tmp_path_factory.mktemp("budget") / "site"
    shutil.copytree(DEMO_SITE, copy)
    release_sooner(copy, 300)
    return load_site(copy)


def delivering(site: LoadedSite, wrong: Callable[[float], Faults], *, scan_ms: int) -> DirectRun:
    """A plant that delivers at its highest flow, up to the moment before something goes wrong."""
    early = local_ms("2025-02-05 10:00")  # the lamps are young: the UV dose is far from its limit
    event = replace(EVENTS["calm"], strikes_ms=early, lead_ms=LEAD_MS, feed_m3_h=PEAK_M3_H, faults=wrong)
    run = DirectRun(site, event, scan_ms=scan_ms)
    run.run_to(run.plant.strikes_ms - scan_ms)
    true = truth(run.plant)
    assert true["proven_product"]
    assert true["through_m3_h"] == pytest.approx(PEAK_M3_H, rel=0.01)
    assert true["out_of_limits_into_tank_l"] == 0
    return run


def until(run: DirectRun, name: str, *, within_s: float, scan_ms: int) -> float:
    """Plant seconds after the event until something is true; it must be within some time."""
    end_ms = run.plant.strikes_ms + round(within_s * SECOND_MS)
    while not truth(run.plant)[name]:
        assert run.plant.now_ms < end_ms, f"{name} not within {within_s} s"
        run.run_to(run.plant.now_ms + scan_ms)
    return (run.plant.now_ms - run.plant.strikes_ms) / SECOND_MS


def test_the_outlet_chlorine_trip_lets_as_much_pass_as_its_budget_says(site: LoadedSite) -> None:
    (row,) = (row for row in budgets(site.site) if row.response.interlock == "I-02")
    assert row.race is Race.TOO_LATE
    assert row.response.peak_m3_h == PEAK_M3_H
    assert row.passes_l == pytest.approx(142, abs=3)

    def stepped(since_s: float) -> Faults:
        return Faults(feed_m3_h=PEAK_M3_H, residual_mg_l=5.5 if since_s < 0 else 1.6)

    run = delivering(site, stepped, scan_ms=SECOND_MS)
    safe_s = until(run, "proven_divert", within_s=400, scan_ms=SECOND_MS)
    run.run_to(run.plant.now_ms + 60 * SECOND_MS)
    passed_l = truth(run.plant)["out_of_limits_into_tank_l"]
    assert passed_l == pytest.approx(row.passes_l, rel=0.1)
    assert safe_s == pytest.approx(row.response.safe_s, rel=0.1)
    trips = [one.event.subject for one in run.told if one.event.kind is EventKind.TRIP]
    assert trips == ["I-02"]


def test_the_trip_for_want_of_hypochlorite_lets_nothing_pass_as_its_budget_says(site: LoadedSite) -> None:
    (row,) = (row for row in budgets(site.site) if row.response.interlock == "I-07")
    assert (row.race, row.passes_l) == (Race.FIRST, 0.0)

    def locked(since_s: float) -> Faults:
        return Faults(feed_m3_h=PEAK_M3_H, gas_locked=since_s >= 0)

    run = delivering(site, locked, scan_ms=EVERY_POLL)
    safe_s = until(run, "proven_divert", within_s=row.response.safe_s, scan_ms=EVERY_POLL)
    assert safe_s < 0.1 * (row.water_s or 0.0)
    run.run_to(run.plant.strikes_ms + 170 * 60 * SECOND_MS)
    true = truth(run.plant)
    assert true["chlorine_valve_mg_l"] < 2.0  # type: ignore[operator]  # a number; the bad water is there by now
    assert true["out_of_limits_into_tank_l"] == 0
