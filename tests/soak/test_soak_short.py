"""A small part of the soak: minutes each, and that every verdict can be the other one."""

import random
from collections.abc import Sequence
from typing import Any

import pytest

from gateway.publishers.columns import history_parcels
from tests.soak.backlog import lost_for
from tests.soak.flat import trend_of
from tests.soak.judging import judged
from tests.soak.month import day_on_the_wire
from tests.soak.sockets import PROCESSES, Soaked

HOUR_S = 3_600
LOOKS = 200


def series(gain_an_hour: float, *, spread: float = 0.0, hours: float = 3.0) -> tuple[list[float], list[float]]:
    chance = random.Random(1)  # noqa: S311 - makes a series
    times = [hours * HOUR_S * look / LOOKS for look in range(LOOKS + 1)]
    return times, [100 + gain_an_hour * at / HOUR_S + chance.gauss(0, spread) for at in times]


def test_what_only_moves_up_and_down_is_flat() -> None:
    assert trend_of(*series(0.0, spread=2.0), allowed=1.0).flat


def test_what_grows_by_a_hundredth_an_hour_is_not() -> None:
    trend = trend_of(*series(1.0, spread=0.5), allowed=1.0)
    assert not trend.flat
    assert trend.per_hour == pytest.approx(1.0, abs=0.2)
    assert trend.gained == pytest.approx(2.0, abs=0.4)


def test_what_grows_in_the_beginning_alone_is_flat() -> None:
    times, values = series(0.0)
    warmed = [value - (50 if at < HOUR_S - 1 else 0) for at, value in zip(times, values, strict=True)]
    assert trend_of(times, warmed, allowed=0.1).flat


def test_too_few_looks_are_no_verdict() -> None:
    with pytest.raises(ValueError, match="run longer"):
        trend_of([0.0, 1.0, 2.0], [1.0, 1.0, 1.0], allowed=1.0)


def sound() -> Soaked:
    """A soak in which all is well."""
    times = [float(at) for at in range(0, 3 * HOUR_S, 60)]
    return Soaked(
        rate=30.0,
        at_s=times,
        memory={name: [50_000_000] * len(times) for name in PROCESSES},
        handles={name: [20] * len(times) for name in PROCESSES},
        samples=3_000_000,
        chunk_bytes=9_000_000,
        journal_bytes=300_000,
        file_bytes=10_500_000,
        counted=2_000_000,
        metered=1_990_000,
    )


def leaks(soaked: Soaked) -> None:
    soaked.memory["field"] = [50_000_000 + 1_000 * look for look in range(len(soaked.at_s))]
    soaked.memory["uplink"] = [50_000_000 + 30_000 * look for look in range(len(soaked.at_s))]


def opens_more(soaked: Soaked) -> None:
    soaked.handles["field"] = [20 + look // 20 for look in range(len(soaked.at_s))]


def grows(soaked: Soaked) -> None:
    soaked.file_bytes *= 2


def packs_badly(soaked: Soaked) -> None:
    soaked.chunk_bytes = soaked.file_bytes = 15_000_000


def miscounts(soaked: Soaked) -> None:
    soaked.metered = 1_500_000


@pytest.mark.parametrize(
    ("breaks", "promise"),
    [
        (leaks, "memory flat"),
        (opens_more, "file handles flat"),
        (grows, "database as computed"),
        (packs_badly, "database as computed"),
        (miscounts, "data counted right"),
        (lambda soaked: soaked.missing.append("7 to 9"), "no gap at the office"),
        (lambda soaked: soaked.faults.append("a chunk is damaged"), "record and messages in order"),
    ],
)
def test_each_promise_of_the_soak_can_be_broken(breaks: Any, promise: str) -> None:
    assert all(judged(sound())["kept"].values())
    soaked = sound()
    breaks(soaked)
    assert [name for name, kept in judged(soaked)["kept"].items() if not kept] == [promise]


def test_a_lost_link_comes_back_with_events_first_then_everything_once_and_in_order() -> None:
    assert lost_for(0.1).wrong == []


def test_what_comes_twice_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    def stuttering(*args: Any, **kwargs: Any) -> Sequence[Any]:
        return [parcel for parcel in history_parcels(*args, **kwargs) for _ in range(2)]

    monkeypatch.setattr("gateway.uplink.forwarding.history_parcels", stuttering)
    assert "nothing twice" in lost_for(0.1).wrong


def test_what_the_gateway_counts_is_what_passes_and_a_month_of_it_is_within_the_data() -> None:
    """Half an hour holds a whole connection, which a day has six of."""
    found = day_on_the_wire(0.5)
    assert found.metered == pytest.approx(sum(found.octets.values()), rel=0.02)
    connection = found.octets["connection"]
    a_day = (sum(found.octets.values()) - connection) * 48 + 6 * connection
    assert a_day * 30 < 30_000_000
