"""What one tag was worth over time: readings with the state that decides how each may count. Pure.

States are those of the record, not of the decisions: what a reading may be
used for in a mean, a maximum and a share of time is told in ``figures``.
"""

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from operator import lt

from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number
from gateway.core.validity import Held, Verdict

Span = tuple[int, int]
"""Begin and end, milliseconds UTC."""
Piece = tuple[int, int, float, int]
"""Begin and end in milliseconds UTC, the value that stood, and its ``State``."""


class State(IntEnum):
    """How a reading may count."""

    GOOD = 0
    SUSPECT = 1  # marked: counts in means and shares, its maximum is shown apart
    OVER = 2  # clipped at the top of the span: at least this much
    UNDER = 3  # clipped at the bottom
    HELD = 4  # calibration, cleaning, or held by a person; counts nowhere
    BAD = 5  # the instrument gave no usable value; counts nowhere
    STALE = 6  # nothing arrived; counts nowhere


WITH_VALUE = State.UNDER
"""States up to this one have a value."""


def state_of(verdict: Verdict) -> tuple[State, float]:
    """The state of a verdict, and its value; 0 where there is none."""
    if isinstance(verdict, Number):
        if verdict.quality is Quality.GOOD or verdict.reason is Reason.ROUNDED:
            return State.GOOD, verdict.value
        clipped = {Reason.OVER_RANGE: State.OVER, Reason.UNDER_RANGE: State.UNDER}
        return clipped.get(verdict.reason, State.SUSPECT), verdict.value
    held = isinstance(verdict, Held) or (isinstance(verdict, NoNumber) and verdict.reason is Reason.HOLD)
    if held:
        return State.HELD, 0.0
    stale = isinstance(verdict, NoNumber) and verdict.reason in {Reason.STALE, Reason.NO_ANSWER}
    return (State.STALE if stale else State.BAD), 0.0


@dataclass(slots=True)
class Series:
    """Readings of one tag in the order of time.

    Args:
        times: milliseconds UTC.
        values: 0 where the state has none.
        states: a ``State`` each.
    """

    times: "array[int]" = field(default_factory=lambda: array("q"))
    values: "array[float]" = field(default_factory=lambda: array("d"))
    states: bytearray = field(default_factory=bytearray)

    def add(self, utc_ms: int, state: State, value: float) -> None:
        """Append one; an older one than the last is left out, since the clock was set back meanwhile."""
        if not self.times or utc_ms > self.times[-1]:
            self.times.append(utc_ms)
            self.values.append(value)
            self.states.append(state)

    def extend(self, utc_ms: Sequence[int], values: Sequence[float]) -> None:
        """Append good ones, as ``add`` would one after the other."""
        if all(map(lt, utc_ms, utc_ms[1:])) and (not self.times or not utc_ms or utc_ms[0] > self.times[-1]):
            self.times.extend(utc_ms)
            self.values.extend(values)
            self.states.extend(bytes(len(utc_ms)))  # zeros: GOOD
            return
        for at_ms, value in zip(utc_ms, values, strict=True):
            self.add(at_ms, State.GOOD, value)

    def pieces(self, span: Span, longest_ms: int) -> Iterator[Piece]:
        """What stood within a span without a break: each reading until the next one, at most ``longest_ms``.

        Time for which nothing stood is a piece of state STALE.
        """
        begin, end = span
        at = max(0, bisect_right(self.times, begin) - 1)
        cursor = begin
        stop_at = bisect_left(self.times, end)
        for i in range(at, stop_at):
            start = max(self.times[i], begin)
            until = min(self.times[i + 1] if i + 1 < len(self.times) else end, end, self.times[i] + longest_ms)
            if start > cursor:
                yield cursor, start, 0.0, State.STALE
            if until > start:
                yield start, until, self.values[i], self.states[i]
            cursor = max(cursor, until, start)
        if cursor < end:
            yield cursor, end, 0.0, State.STALE


def marked(pieces: Iterator[Piece], spans: Sequence[Span], state: State) -> Iterator[Piece]:
    """Pieces, of which those with a value within the spans get another state: held by a person, or in doubt."""
    for piece in pieces:
        if piece[3] > WITH_VALUE or not spans:
            yield piece
            continue
        yield from _cut(piece, spans, state)


def _cut(piece: Piece, spans: Sequence[Span], state: State) -> Iterator[Piece]:
    begin, end, value, own = piece
    for since, until in spans:
        low, high = max(begin, since), min(end, until)
        if low >= high:
            continue
        if begin < low:
            yield begin, low, value, own
        clipped_stays = state is State.SUSPECT and own in {State.OVER, State.UNDER}
        yield low, high, value, own if clipped_stays else state
        begin = high
    if begin < end:
        yield begin, end, value, own


def within(pieces: Iterator[Piece], spans: Sequence[Span]) -> Iterator[Piece]:
    """The parts of pieces that lie in any of the spans, which are in order and apart."""
    at = 0
    for begin, end, value, state in pieces:
        while at < len(spans) and spans[at][1] <= begin:
            at += 1
        for since, until in spans[at:]:
            if since >= end:
                break
            yield max(begin, since), min(end, until), value, state


def spans_at_least(pieces: Iterator[Piece], limit: float) -> tuple[list[Span], list[Span]]:
    """When a state tag stood at a value or above, and when it was not known; neighbours joined."""
    so: list[Span] = []
    unknown: list[Span] = []
    for begin, end, value, state in pieces:
        into = unknown if state > WITH_VALUE else so if value >= limit else None
        if into is None:
            continue
        if into and into[-1][1] == begin:
            into[-1] = (into[-1][0], end)
        else:
            into.append((begin, end))
    return so, unknown
