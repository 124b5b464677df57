"""Every critical input of the demo site, removed by each means: the plant is safe within stale limit plus delay."""

from dataclasses import replace

import pytest

from gateway.configuration.plant import LoadedSite
from gateway.core.outcome import EventKind
from simulator.almanac import SECOND_MS
from simulator.faults import Faults
from simulator.plant import truth
from tests.simulator import removals
from tests.simulator.removals import AIT_701_CLEANS, MEANS, Bench, Measured, critical, table


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> LoadedSite:
    return removals.quickened(tmp_path_factory.mktemp("removals") / "site")


@pytest.fixture(scope="module")
def bench(site: LoadedSite) -> Bench:
    return Bench(site)


@pytest.fixture(scope="module")
def measured(site: LoadedSite, bench: Bench) -> list[Measured]:
    return [bench.measure(one) for one in removals.removals(site)]


def test_each_is_seen_and_the_plant_safe_within_stale_limit_plus_delay(measured: list[Measured]) -> None:
    late = [one for one in measured if not one.in_time]
    assert not late, f"\n{table(late)}"


def test_no_critical_input_and_no_means_is_left_out(site: LoadedSite, measured: list[Measured]) -> None:
    assert {tag for one in measured for tag in one.removal.tag.split(", ")} == set(critical(site))
    assert {one.removal.means for one in measured} == set(MEANS)


def test_the_transmittance_is_missed_as_fast_as_anything_else_unless_its_monitor_cleans_itself(
    measured: list[Measured],
) -> None:
    slow = [one.removal.detail for one in measured if one.removal.tag == "AIT-701" and (one.tripped_s or 0) > 77]
    assert slow == [AIT_701_CLEANS]


def test_a_meter_that_only_helps_to_prove_the_valve_stops_nothing_by_itself_and_is_told(bench: Bench) -> None:
    run = bench.delivering()
    run.plant.added = Faults(silent=frozenset({"FM3"}))
    lost = len(run.told)
    run.run_to(run.plant.now_ms + 90 * SECOND_MS)
    assert truth(run.plant)["proven_product"]
    told = [one.event for one in run.told[lost:]]
    assert [one.subject for one in told if one.kind is EventKind.TRIP] == []
    assert [one.subject for one in told if one.kind is EventKind.ALARM] == ["FM3-SILENT"]


def test_an_interlock_that_waits_longer_than_it_says_is_found(site: LoadedSite) -> None:
    (removal,) = (one for one in removals.removals(site) if (one.tag, one.means) == ("AIT-801", removals.SILENT))
    slower = tuple(
        replace(rule, causes=tuple(replace(cause, trip_delay_ms=120_000) for cause in rule.causes))
        if rule.id == "I-06"
        else rule
        for rule in site.plant.interlocks
    )
    other = replace(site, plant=replace(site.plant, interlocks=slower))
    assert not Bench(other).measure(removal).in_time
