"""When the water that left by the valve was at an instrument upstream of it: plug flow by displaced volume. Pure.

Time without a usable flow counts as none. Water that has not reached the valve within what is known was not delivered.
Derived; no source.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence

from gateway.records.series import Piece, Span, State

_HOUR_MS = 3_600_000


def at_the_tap(flow: Iterable[Piece], spans: Sequence[Span], volume_m3: float) -> list[Span]:
    """When the water of some spans at the valve was at the tap.

    Args:
        flow: m3/h, without a break, from before the first span.
        spans: when water left by the valve, in order.
        volume_m3: between tap and valve.
    """
    times, passed = [], [0.0]
    end = 0
    for begin, end, value, state in flow:
        times.append(begin)
        passed.append(passed[-1] + (max(0.0, value) * (end - begin) / _HOUR_MS if state <= State.UNDER else 0.0))
    if not times:
        return []
    times.append(end)
    found = [
        (round(_time_of(times, passed, _passed_at(times, passed, begin) - volume_m3)),
         round(_time_of(times, passed, _passed_at(times, passed, until) - volume_m3)))
        for begin, until in spans
    ]  # fmt: skip
    return [span for span in found if span[0] < span[1]]


def _passed_at(times: Sequence[int], passed: Sequence[float], at_ms: int) -> float:
    at = min(max(1, bisect_left(times, at_ms)), len(times) - 1)
    share = min(1.0, max(0.0, (at_ms - times[at - 1]) / (times[at] - times[at - 1])))
    return passed[at - 1] + share * (passed[at] - passed[at - 1])


def _time_of(times: Sequence[int], passed: Sequence[float], volume_m3: float) -> float:
    at = min(max(1, bisect_left(passed, volume_m3)), len(times) - 1)
    more = passed[at] - passed[at - 1]
    share = min(1.0, max(0.0, (volume_m3 - passed[at - 1]) / more)) if more else 0.0
    return times[at - 1] + share * (times[at] - times[at - 1])
