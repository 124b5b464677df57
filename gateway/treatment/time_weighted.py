"""Mean, largest value and share of time above a limit, from readings at unequal intervals. Pure.

Each reading stands for time. By the rule of the held reading it lasts until
the next one; by the straight line the value goes from one reading to the next.
The two give different figures, so that a criterion says which it means. Time
after a reading without a value, and time beyond ``longest`` after any reading,
is not covered: it leaves the denominator and is told, and never counts as
compliant. Units of time and value are the caller's. Definitions: common
practice, no source; job rules: no filling of gaps, missing is not compliant.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

Reading = tuple[float, float | None]
"""Time and value; None where nothing usable was read. In the order of time."""


class Rule(Enum):
    """How a value goes on between two readings."""

    HOLD = "hold"
    LINE = "linear"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What a spell of time amounts to.

    Args:
        integral: value times time.
        covered: time for which there was a value.
        above: of that, time above the limit.
        largest: value; minus infinity when there was none.
        smallest: value; infinity when there was none.
        span: time from begin to end.
    """

    integral: float = 0.0
    covered: float = 0.0
    above: float = 0.0
    largest: float = -math.inf
    smallest: float = math.inf
    span: float = 0.0

    @property
    def mean(self) -> float:
        """Weighted by time.

        Raises:
            ZeroDivisionError: no time is covered.
        """
        return self.integral / self.covered

    @property
    def share_above(self) -> float:
        """Of the covered time, 0 to 1.

        Raises:
            ZeroDivisionError: no time is covered.
        """
        return self.above / self.covered

    @property
    def coverage(self) -> float:
        """Covered part of the span, 0 to 1.

        Raises:
            ZeroDivisionError: the span has no length.
        """
        return self.covered / self.span


def figures(
    readings: Iterable[Reading],
    *,
    begin: float,
    end: float,
    limit: float = math.inf,
    rule: Rule = Rule.HOLD,
    longest: float = math.inf,
) -> Figures:
    """The figures of one spell of time, such as a calendar day.

    Args:
        readings: in the order of time; those before ``begin`` and after ``end`` count as far as they reach in.
        begin: of the spell.
        end: of the spell; a held last reading lasts until then.
        limit: above which time is counted; a value equal to it is not above.
        rule: how a value goes on between readings.
        longest: time a reading may stand for, or a line may bridge.

    Raises:
        ValueError: readings out of order, or an end before the begin.
    """
    if end < begin:
        raise ValueError(f"the spell ends before it begins, at {end} and {begin}")
    kept = list(readings)
    if any(later[0] < earlier[0] for earlier, later in pairwise(kept)):
        raise ValueError("readings in the order of time are needed")
    pieces = _held(kept, end, longest) if rule is Rule.HOLD else _lines(kept, longest)
    inside = [cut for piece in pieces for cut in _cut(piece, begin, end)]
    values = [value for time, value in kept if value is not None and begin <= time <= end]
    values += [value for piece in inside for value in piece[2:]]
    return Figures(
        integral=math.fsum((stop - start) * (first + last) / 2 for start, stop, first, last in inside),
        covered=math.fsum(stop - start for start, stop, _, _ in inside),
        above=math.fsum(time_above(stop - start, first, last, limit) for start, stop, first, last in inside),
        largest=max(values, default=-math.inf),
        smallest=min(values, default=math.inf),
        span=end - begin,
    )


_Piece = tuple[float, float, float, float]
"""Start, stop, value at the start, value at the stop."""


def _held(readings: Sequence[Reading], end: float, longest: float) -> Iterator[_Piece]:
    for (time, value), (until, _) in pairwise([*readings, (max(end, readings[-1][0] if readings else end), None)]):
        if value is not None and until > time:
            yield time, min(until, time + longest), value, value


def _lines(readings: Sequence[Reading], longest: float) -> Iterator[_Piece]:
    for (time, value), (until, after) in pairwise(readings):
        if value is not None and after is not None and time < until <= time + longest:
            yield time, until, value, after


def _cut(piece: _Piece, begin: float, end: float) -> Iterator[_Piece]:
    start, stop, first, last = piece
    low, high = max(start, begin), min(stop, end)
    if low < high:
        slope = (last - first) / (stop - start)
        yield low, high, first + slope * (low - start), first + slope * (high - start)


def time_above(lasting: float, first: float, last: float, limit: float) -> float:
    """How long a straight line from one value to another lies above a limit."""
    if max(first, last) <= limit:
        return 0.0
    if min(first, last) >= limit:
        return lasting
    return lasting * (max(first, last) - limit) / abs(last - first)


def longest_spell_above(readings: Iterable[Reading], *, end: float, limit: float) -> float:
    """The longest unbroken time for which held readings stood above a limit; one without a value breaks it."""
    return max((until - since for since, until in spells_above(readings, end=end, limit=limit)), default=0.0)


def spells_above(readings: Iterable[Reading], *, end: float, limit: float) -> Iterator[tuple[float, float]]:
    """Begin and end of each unbroken time for which held readings stood above a limit.

    Args:
        readings: in the order of time.
        end: where the last reading ends.
        limit: a value equal to it is not above.
    """
    since: float | None = None
    for time, value in readings:
        above = value is not None and value > limit
        if above and since is None:
            since = time
        elif not above and since is not None:
            yield since, time
            since = None
    if since is not None:
        yield since, end


def lasted_above(readings: Iterable[Reading], *, end: float, limit: float, delay: float) -> float | None:
    """When held readings had been above a limit for longer than a delay; None when they never were.

    The delay must be passed, not reached: 22 CCR 60307(a) says "more than 15 minutes".
    """
    for since, until in spells_above(readings, end=end, limit=limit):
        if until - since > delay:
            return since + delay
    return None
