"""Row i: what a request, a reading and a tag cost when there are more of them.

Each value is the cost at so many times the devices or tags to the cost at
once, measured in the same round: 1 is linear. How the time from reply to
permit write grows is in the row that measures it.
"""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

from tests.bench.frame import Figure, Goal, Scale
from tests.bench.libmodbus_peer import running
from tests.bench.plants import BLOCKS_A_DEVICE
from tests.bench.row_polling import FEWEST_A_CONNECTION, SITE, Beside, Spent
from tests.bench.row_scan import LINEAR, Passes, ScannedPlant

_DEVICES, _SHORT_DEVICES = 8, 2
_TAGS, _SHORT_TAGS = 1_000, 100
_SCANS = 20
_POLLS, _SHORT_POLLS = 4, 1  # of each block at a site's pace: twenty plant seconds
_GOAL = Goal(at_most=LINEAR)


@dataclass(frozen=True, slots=True)
class _Polled:
    """So many devices in one round: the gateway flat out, the bare loop, the gateway at a site's pace."""

    ours: Spent
    bare: Spent
    paced: Spent


def growth(scale: Scale) -> Sequence[Figure]:
    """Row i."""
    return [*_polling(scale), *_scanning(scale)]


def _polling(scale: Scale) -> list[Figure]:
    devices = _SHORT_DEVICES if scale.short else _DEVICES
    with running() as port, asyncio.Runner() as runner:
        beside = Beside(port, runner, short=scale.short)
        beside.rounds(1, devices)
        polls = _SHORT_POLLS if scale.short else _POLLS
        done = [{times: _polled(beside, times * devices, polls) for times in scale.times} for _ in range(scale.rounds)]
    first, *more = scale.times
    return [
        figure
        for times in more
        for figure in _of_polling(devices * first, devices * times, [(one[first], one[times]) for one in done])
    ]


def _polled(beside: Beside, devices: int, polls: int) -> _Polled:
    """The same of each device, however many there are; so many polls of each block at a site's pace."""
    return _Polled(
        ours=beside.gateway(devices, FEWEST_A_CONNECTION),
        bare=beside.bare(devices, FEWEST_A_CONNECTION),
        paced=beside.gateway(devices, polls * BLOCKS_A_DEVICE, SITE),
    )


def _of_polling(few: int, many: int, rounds: Sequence[tuple[_Polled, _Polled]]) -> tuple[Figure, Figure]:
    def grown(cost: Callable[[_Polled], float]) -> list[float]:
        return [cost(large) / cost(small) for small, large in rounds]

    request = Figure(
        name=f"cost of a request (a), {many} to {few} devices",
        unit="times",
        gateway=grown(lambda one: 1 / one.ours.rate),
        baseline=grown(lambda one: 1 / one.bare.rate),
        goal=_GOAL,
        work=(sum(large.ours.requests for _, large in rounds), sum(large.bare.requests for _, large in rounds)),
    )
    reading = Figure(
        name=f"CPU of a reading at pace (b), {many} to {few} devices",
        unit="times",
        gateway=grown(lambda one: one.paced.cpu_us_a_reading - one.bare.cpu_us_a_reading),
        goal=_GOAL,
    )
    return request, reading


def _scanning(scale: Scale) -> list[Figure]:
    tags = _SHORT_TAGS if scale.short else _TAGS
    measured = {times: ScannedPlant(times * tags, _SCANS) for times in scale.times}
    done = [{times: one.round() for times, one in measured.items()} for _ in range(scale.rounds)]
    first, *more = scale.times
    return [
        Figure(
            name=f"scan of a tag (c), {times * tags:,} to {first * tags:,} tags",
            unit="times",
            gateway=[_each_tag_ms(one[times], times) / _each_tag_ms(one[first], first) for one in done],
            goal=_GOAL,
        )
        for times in more
    ]


def _each_tag_ms(passes: Passes, tags: int) -> float:
    return median(passes.each_ms) / tags
