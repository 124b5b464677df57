"""Figures of windows that roll on with each reading, and the longest unbroken spell above a limit. Pure.

A window that ends within the day counts, so that one of 24 h reaches into the day before. A window with less than
``LEAST_VALID`` of the required time in it valid has no figure. Source of the windows: each limit's own.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from gateway.records.figures import LEAST_VALID
from gateway.records.series import Piece, Span, State
from gateway.treatment.limits import exceeds
from gateway.treatment.rolling import NOT_USABLE, USABLE, Reading, rolling

_UNIT_MS = {"min": 60_000, "h": 3_600_000, "d": 86_400_000}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rolled:
    """The worst of the windows that end within a day.

    Args:
        mean: largest mean; None where no window had enough valid time.
        share: largest part of the valid time above the limit, 0 to 1.
        at_ms: when the window of the largest mean ended.
    """

    mean: float | None
    share: float | None
    at_ms: int


def rolled(pieces: Sequence[Piece], day: Span, *, window_ms: int, limit: float) -> Rolled:
    """The worst windows of a day.

    Args:
        pieces: of the required time, from a window before the day to its end.
        day: in which windows end.
        window_ms: their length.
        limit: above which time is counted.
    """
    mean, share, at_ms = None, None, day[0]
    required = rolling(((b, 1.0, w) for b, _, w in _readings(pieces, every=True)), window_ms=window_ms)
    told = rolling(_readings(pieces), window_ms=window_ms, limit=limit)
    instants = [begin for begin, _, _ in _readings(pieces)]
    for instant, (its_mean, _, above, valid, _), (_, _, _, needed, _) in zip(instants, told, required, strict=True):
        if not day[0] < instant <= day[1] or not valid or valid < LEAST_VALID * needed:
            continue
        if mean is None or its_mean > mean:
            mean, at_ms = its_mean, instant
        share = above / valid if share is None else max(share, above / valid)
    return Rolled(mean=mean, share=share, at_ms=at_ms)


def _readings(pieces: Sequence[Piece], *, every: bool = False) -> Iterator[Reading]:
    """Pieces as readings: each where it begins, and an end of value where one is not followed at once.

    Args:
        pieces: in order.
        every: whether time without a value counts like time with one.
    """
    for i, (begin, end, value, state) in enumerate(pieces):
        usable = every or state <= State.UNDER
        yield begin, value if usable else 0.0, USABLE if usable else NOT_USABLE
        if i + 1 == len(pieces) or pieces[i + 1][0] > end:
            yield end, 0.0, NOT_USABLE


def longest_above(pieces: Sequence[Piece], limit: float) -> int:
    """The longest time in milliseconds for which readings stood above a limit without a break."""
    longest, since, until = 0, 0, -1
    for begin, end, value, state in pieces:
        if state > State.UNDER or not exceeds(value, limit):
            until = -1
            continue
        since = begin if begin != until else since
        until = end
        longest = max(longest, until - since)
    return longest


def largest_mean(pieces: Sequence[Piece], every_ms: int) -> tuple[float, int] | None:
    """The largest mean of the clock's equal parts, and the begin of its part; parts with too little valid have none.

    Args:
        pieces: of the required time, in order.
        every_ms: length of a part, counted from the epoch.
    """
    sums: dict[int, list[float]] = {}
    for begin, end, value, state in pieces:
        if state > State.UNDER:
            continue
        for part in range(begin // every_ms, (end - 1) // every_ms + 1):
            ms = min(end, (part + 1) * every_ms) - max(begin, part * every_ms)
            kept = sums.setdefault(part, [0.0, 0.0])
            kept[0] += value * ms
            kept[1] += ms
    means = [(total / ms, part * every_ms) for part, (total, ms) in sums.items() if ms >= LEAST_VALID * every_ms]
    return max(means, key=lambda one: (one[0], -one[1]), default=None)


def window_ms(text: str) -> int | None:
    """The length of a limit's window, such as ``15 min`` or ``rolling 24 h``; None where it says none."""
    found = re.search(r"([0-9]+(?:\.[0-9]+)?) ?(min|h|d)\b", text)
    return round(float(found[1]) * _UNIT_MS[found[2]]) if found else None
