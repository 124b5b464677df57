"""What lies within the period of a record, and spans that touch. Pure."""

from collections.abc import Sequence

from gateway.records.day import Day, Given
from gateway.records.series import Span


def whole(days: Sequence[Day], given: Given) -> Span:
    """The period as far as it is known."""
    return days[0].span[0], min(days[-1].span[1], given.as_of_ms)


def inside(given: Given, days: Sequence[Day], utc_ms: int) -> bool:
    """Whether a moment lies within the known period."""
    begin, end = whole(days, given)
    return begin <= utc_ms < end


def joined(spans: Sequence[Span]) -> list[Span]:
    """Spans, those that touch as one."""
    found: list[Span] = []
    for begin, end in spans:
        if found and found[-1][1] == begin:
            found[-1] = (found[-1][0], end)
        else:
            found.append((begin, end))
    return found


def lasting(spans: Sequence[Span]) -> int:
    """Their length in milliseconds."""
    return sum(end - begin for begin, end in spans)
