"""The figures of one quantity over one day: rules for each state, nothing rounded, nothing filled in. Pure.

GOOD, clipped and SUSPECT readings count in means and shares of time; the
maximum is of the largest single reading that is not SUSPECT, and the SUSPECT
one stands beside it. HELD, BAD and STALE count nowhere and are told as minutes.
A figure with less than ``LEAST_VALID`` of the required time is no figure.
Source: the common practice told in the docstrings of ``gateway.treatment``.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from gateway.records.series import WITH_VALUE, Piece, State
from gateway.treatment.limits import exceeds

LEAST_VALID = 0.75
MINUTE_MS = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Extreme:
    """The largest or smallest reading, when it was, and whether it was clipped there."""

    value: float
    utc_ms: int
    clipped: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """One quantity over one day; durations in milliseconds.

    Args:
        day_ms: of the day, 23, 24 or 25 hours.
        required_ms: for which it had to be measured.
        valid_ms: of that, with a value that counts.
        held_ms: of that, held or calibrating.
        bad_ms: of that, without a usable value.
        stale_ms: of that, nothing arrived.
        suspect_ms: of the valid time, marked.
        mean: weighted by time; None below ``LEAST_VALID``.
        mean_without_suspect: the same without what is marked.
        largest: not marked; None without any.
        suspect_largest: of the marked ones.
        smallest: not marked.
        above_ms: valid time above each limit asked for.
        below_ms: valid time below each.
    """

    day_ms: int
    required_ms: int
    valid_ms: int
    held_ms: int
    bad_ms: int
    stale_ms: int
    suspect_ms: int
    mean: float | None
    mean_without_suspect: float | None
    largest: Extreme | None
    suspect_largest: Extreme | None
    smallest: Extreme | None
    above_ms: dict[float, int] = field(default_factory=dict)
    below_ms: dict[float, int] = field(default_factory=dict)

    @property
    def enough(self) -> bool:
        """Whether enough of the required time is valid."""
        return self.required_ms > 0 and self.valid_ms >= LEAST_VALID * self.required_ms

    @property
    def completeness(self) -> float | None:
        """Valid part of the required time, 0 to 1; None when nothing was required."""
        return self.valid_ms / self.required_ms if self.required_ms else None

    def share_of_day(self, limit: float) -> float:
        """Part of the day above a limit, 0 to 1."""
        return self.above_ms[limit] / self.day_ms

    def share_of_valid(self, limit: float) -> float | None:
        """Part of the valid time above a limit; None without any."""
        return self.above_ms[limit] / self.valid_ms if self.valid_ms else None


def figures_of(pieces: Iterable[Piece], *, day_ms: int, limits: Sequence[float] = ()) -> Figures:
    """The figures of one day.

    Args:
        pieces: of the required time, in order.
        day_ms: length of the day.
        limits: for which time above and below is counted; equal is neither.
    """
    lasting = [0] * len(State)
    sums: list[float] = []
    plain: list[float] = []
    above, below = dict.fromkeys(limits, 0), dict.fromkeys(limits, 0)
    largest: tuple[float, int, int] | None = None
    smallest: tuple[float, int, int] | None = None
    doubtful: tuple[float, int, int] | None = None
    for begin, end, value, state in pieces:
        ms = end - begin
        lasting[state] += ms
        if state > WITH_VALUE:
            continue
        sums.append(value * ms)
        for limit in limits:
            if exceeds(value, limit):
                above[limit] += ms
            elif exceeds(limit, value):
                below[limit] += ms
        if state == State.SUSPECT:
            if doubtful is None or value > doubtful[0]:
                doubtful = (value, begin, state)
            continue
        plain.append(value * ms)
        if largest is None or value > largest[0]:
            largest = (value, begin, state)
        if smallest is None or value < smallest[0]:
            smallest = (value, begin, state)
    valid = sum(lasting[: WITH_VALUE + 1])
    certain = valid - lasting[State.SUSPECT]
    required = sum(lasting)
    enough = required > 0 and valid >= LEAST_VALID * required
    return Figures(
        day_ms=day_ms,
        required_ms=required,
        valid_ms=valid,
        held_ms=lasting[State.HELD],
        bad_ms=lasting[State.BAD],
        stale_ms=lasting[State.STALE],
        suspect_ms=lasting[State.SUSPECT],
        mean=math.fsum(sums) / valid if enough else None,
        mean_without_suspect=math.fsum(plain) / certain if enough and certain else None,
        largest=_extreme(largest, State.OVER),
        suspect_largest=_extreme(doubtful, State.OVER),
        smallest=_extreme(smallest, State.UNDER),
        above_ms=above,
        below_ms=below,
    )


def _extreme(found: tuple[float, int, int] | None, clipped: State) -> Extreme | None:
    return None if found is None else Extreme(value=found[0], utc_ms=found[1], clipped=found[2] == clipped)
