"""The age of the water that now leaves a tank, when the flow varies. Pure; O(1) a reading.

Water in plug flow leaves when as much has followed it as the tank holds: its
age is the time since the volume that is now displaced came in. Volume over the
flow of this moment says too little after a stop and too much after a surge.

What has come in is remembered in pieces of 1/120 of the tank's volume, with a
mark wherever the flow starts or stops; within a piece the flow counts as
even, so that the age is off by less than the time one piece took to come in.
Where the flow was not known nobody knows what it displaced: the account begins
anew, and until the tank has been displaced once the age is a least one, since
all water that leaves was inside when it began. Derived; no source.
"""

from bisect import bisect_right
from dataclasses import dataclass, replace

from gateway.treatment.refusal import above_zero

PIECES = 120
"""Of the tank's volume."""
MOST_MARKS = 400
"""After so many, a start or a stop gets none of its own any more."""
_SOURCE = "displaced volume"

Mark = tuple[float, int]
"""Volume that has come in, m3, and the instant, ms; both since the account began."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlugFlow:
    """What is remembered of a tank's inflow.

    Args:
        marks: oldest first; the first is as old as the account reaches.
        passed_m3: come in since the account began.
        clock_ms: time since then.
        flow_m3_s: at the newest reading; it lasts until the next. None while it is not known.
    """

    marks: tuple[Mark, ...] = ()
    passed_m3: float = 0.0
    clock_ms: int = 0
    flow_m3_s: float | None = None


UNKNOWN = PlugFlow()
"""Of a tank of which nothing is known yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Age:
    """Of the water that now leaves.

    Args:
        lasting_s: its time in the tank, or the least that it can be.
        whole: whether the account reaches back to when it came in; else it is the least.
    """

    lasting_s: float
    whole: bool


def advance(state: PlugFlow, flow_m3_s: float | None, *, elapsed_ms: int, volume_m3: float) -> PlugFlow:
    """The account after one more reading of the flow.

    Args:
        state: as the last reading left it.
        flow_m3_s: now; None when it is not known. Water does not run backwards: less than 0 counts as 0.
        elapsed_ms: since the last reading, at the flow of that one.
        volume_m3: of the tank that takes part (volume x modal or T10 factor), above 0; as long as it is the same.

    Raises:
        NotCovered: no such volume.
    """
    above_zero("volume m3", volume_m3, _SOURCE)
    if flow_m3_s is None:
        return UNKNOWN
    flow_m3_s = max(0.0, flow_m3_s)
    if state.flow_m3_s is None:
        return PlugFlow(marks=((0.0, 0),), flow_m3_s=flow_m3_s)
    passed_m3 = state.passed_m3 + state.flow_m3_s * elapsed_ms / 1_000
    after = replace(state, passed_m3=passed_m3, clock_ms=state.clock_ms + elapsed_ms, flow_m3_s=flow_m3_s)
    turned = (state.flow_m3_s > 0) != (flow_m3_s > 0) and len(state.marks) < MOST_MARKS
    if turned or passed_m3 - state.marks[-1][0] >= volume_m3 / PIECES:
        return _marked(after, volume_m3)
    return after


def _marked(state: PlugFlow, volume_m3: float) -> PlugFlow:
    """With a mark now, without those that the tank cannot hold any more, and counted from the first that is kept."""
    marks = (*state.marks, (state.passed_m3, state.clock_ms))
    first = max(0, bisect_right(marks, state.passed_m3 - volume_m3, key=_volume) - 1)
    base_m3, base_ms = marks[first]
    kept = tuple([(passed_m3 - base_m3, at_ms - base_ms) for passed_m3, at_ms in marks[first:]])
    return replace(state, marks=kept, passed_m3=state.passed_m3 - base_m3, clock_ms=state.clock_ms - base_ms)


def _volume(mark: Mark) -> float:
    return mark[0]


def age(state: PlugFlow, *, volume_m3: float) -> Age:
    """How old the water is that now leaves.

    Args:
        state: as the newest reading left it.
        volume_m3: of the tank that takes part; the largest that ``advance`` was told, or less (a lower level).

    Raises:
        NotCovered: no such volume.
    """
    above_zero("volume m3", volume_m3, _SOURCE)
    displaced_m3 = state.passed_m3 - volume_m3
    if not state.marks or displaced_m3 < state.marks[0][0]:
        return Age(lasting_s=state.clock_ms / 1_000, whole=False)
    place = bisect_right(state.marks, displaced_m3, key=_volume)
    low_m3, low_ms = state.marks[place - 1]
    high_m3, high_ms = state.marks[place] if place < len(state.marks) else (state.passed_m3, state.clock_ms)
    share = (displaced_m3 - low_m3) / (high_m3 - low_m3)
    return Age(lasting_s=(state.clock_ms - low_ms - share * (high_ms - low_ms)) / 1_000, whole=True)
