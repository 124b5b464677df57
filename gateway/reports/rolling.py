"""Counts in a window that ends now, ``(now - window, now]``, never in buckets of the clock. Pure."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from gateway.reports.spans import Span, common, length_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """From this instant on, until the next level, the window holds so many."""

    at_ms: int
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """The most that a window held, and when it did so first."""

    count: int = 0
    at_ms: int = 0


def levels(times_ms: Sequence[int], window_ms: int) -> list[Level]:
    """Every change of the count, in order; each event counts from its instant until a window later."""
    return stacked((time_ms, time_ms + window_ms) for time_ms in times_ms)


def stacked(spans: Iterable[Span]) -> list[Level]:
    """How many spans lie over each instant; every change, in order."""
    changes: dict[int, int] = {}
    for begin, end in spans:
        changes[begin] = changes.get(begin, 0) + 1
        changes[end] = changes.get(end, 0) - 1
    count, found = 0, []
    for at_ms in sorted(changes):
        count += changes[at_ms]
        found.append(Level(at_ms=at_ms, count=count))
    return found


def steps(found: Sequence[Level], within: Span) -> list[tuple[Span, int]]:
    """The levels as spans with their counts, cut to a span; nothing where no level has begun."""
    first = max(0, bisect_right(found, within[0], key=lambda level: level.at_ms) - 1)
    mine = found[first : bisect_left(found, within[1], key=lambda level: level.at_ms)]
    borders = [*(max(level.at_ms, within[0]) for level in mine), within[1]]
    return [(span, level.count) for span, level in zip(pairwise(borders), mine, strict=True)]


def peak(found: Sequence[Level], within: Span) -> Peak:
    """The largest count within a span."""
    best = Peak()
    for (begin, _), count in steps(found, within):
        if count > best.count:
            best = Peak(count=count, at_ms=begin)
    return best


def above_ms(found: Sequence[Level], limit: int, spans: Sequence[Span]) -> int:
    """For how long, within the spans, the count lies above a limit."""
    if not spans:
        return 0
    high = [span for span, count in steps(found, (spans[0][0], spans[-1][1])) if count > limit]
    return length_ms(common(high, spans))


def between(found: Sequence[Level], *, above: int, below: int) -> list[Span]:
    """From where the count rises above one figure to where it falls below another."""
    spans: list[Span] = []
    begun: int | None = None
    for level in found:
        if begun is None and level.count > above:
            begun = level.at_ms
        elif begun is not None and level.count < below:
            spans.append((begun, level.at_ms))
            begun = None
    return spans
