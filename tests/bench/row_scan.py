"""Row c: one pass of all decisions, at several sizes of plant."""

import gc
import time
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median, quantiles

from gateway.core.scan import scan
from gateway.core.state import first_state, rules_of
from tests.bench import plants
from tests.bench.frame import Figure, Goal, Scale

_SCANS, _SHORT_SCANS = 100, 20
_WARM = 20  # until every tag has been read and the limits have seen the first crossings
_GOAL_TAGS, _GOAL_MS = 1_000, 2.0
LINEAR = 1.2
"""Cost per tag of the largest plant to that of the smallest which still counts as linear: caches are finite."""


@dataclass(frozen=True, slots=True)
class Passes:
    """Some scans of one plant.

    Args:
        each_ms: what each took.
        samples: that they took over.
        events: that they decided.
    """

    each_ms: tuple[float, ...]
    samples: int
    events: int


class ScannedPlant:
    """A plant of so many tags that is scanned on and on.

    Args:
        tags: how many.
        scans: of one round.
    """

    def __init__(self, tags: int, scans: int) -> None:
        self._tags, self._scans = tags, scans
        self._rules = rules_of(plants.plant(tags))
        self._state, _ = first_state(self._rules, plants.tick(0))
        self._next = 1
        self._pass_by(_WARM)

    def round(self) -> Passes:
        """The next scans."""
        return self._pass_by(self._scans)

    def _pass_by(self, scans: int) -> Passes:
        moments = plants.moments(self._tags, scans, first=self._next)
        self._next += scans
        state, took, events = self._state, [], 0
        gc.collect()
        gc.freeze()  # as the field process does with what stays
        for moment in moments:
            began = time.perf_counter_ns()
            state, outcome = scan(self._rules, state, moment)
            took.append((time.perf_counter_ns() - began) / 1e6)
            events += len(outcome.events)
        gc.unfreeze()
        self._state = state
        return Passes(tuple(took), sum(len(moment.arrivals) for moment in moments), events)


def scan_time(scale: Scale) -> Sequence[Figure]:
    """Row c."""
    scans = _SHORT_SCANS if scale.short else _SCANS
    measured = {tags: ScannedPlant(tags, scans) for tags in scale.tags}
    rounds: dict[int, list[Passes]] = {tags: [] for tags in measured}
    for _ in range(scale.rounds):
        for tags, one in measured.items():
            rounds[tags].append(one.round())
    return [figure for tags, done in rounds.items() for figure in _figures(tags, done)] + [_growth(rounds)]


def _figures(tags: int, done: Sequence[Passes]) -> tuple[Figure, Figure]:
    typical = Figure(
        name=f"{tags:,} tags, median",
        unit="ms",
        gateway=[median(one.each_ms) for one in done],
        goal=Goal(at_most=_GOAL_MS) if tags == _GOAL_TAGS else None,
    )
    worst = Figure(name=f"{tags:,} tags, 99 %", unit="ms", gateway=[quantiles(one.each_ms, n=100)[98] for one in done])
    return typical, worst


def _growth(rounds: dict[int, list[Passes]]) -> Figure:
    few, many = min(rounds), max(rounds)
    ratios = [
        (median(large.each_ms) / many) / (median(small.each_ms) / few)
        for small, large in zip(rounds[few], rounds[many], strict=True)
    ]
    return Figure(
        name=f"cost of a tag, {many:,} to {few:,} tags", unit="times", gateway=ratios, goal=Goal(at_most=LINEAR)
    )
