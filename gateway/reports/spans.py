"""Stretches of time: what they have in common, what is left of them, how long they are. Pure.

A span is half-open, from an instant until another, both in milliseconds UTC.
Lists of spans are in order and do not touch, once ``united``.
"""

from collections.abc import Iterable, Sequence

Span = tuple[int, int]


def united(spans: Iterable[Span]) -> list[Span]:
    """The same time, in order, without overlaps and without empty spans."""
    whole: list[Span] = []
    for begin, end in sorted(span for span in spans if span[0] < span[1]):
        if whole and begin <= whole[-1][1]:
            whole[-1] = (whole[-1][0], max(whole[-1][1], end))
        else:
            whole.append((begin, end))
    return whole


def common(some: Sequence[Span], others: Sequence[Span]) -> list[Span]:
    """What lies in both; each of them united."""
    shared: list[Span] = []
    left, right = 0, 0
    while left < len(some) and right < len(others):
        begin, end = max(some[left][0], others[right][0]), min(some[left][1], others[right][1])
        if begin < end:
            shared.append((begin, end))
        if some[left][1] < others[right][1]:
            left += 1
        else:
            right += 1
    return shared


def without(whole: Span, parts: Sequence[Span]) -> list[Span]:
    """What the parts, united, leave of one span."""
    borders = [whole[0], *(border for part in common([whole], parts) for border in part), whole[1]]
    return [(begin, end) for begin, end in zip(borders[::2], borders[1::2], strict=True) if begin < end]


def length_ms(spans: Iterable[Span]) -> int:
    """How long they are together."""
    return sum(end - begin for begin, end in spans)
