"""Mean, largest value and time above a limit in a window that ends at each reading. Pure; O(1) amortised a reading.

A reading is held until the next, for at most ``longest_ms``; held time that
straddles the window's begin counts as far as it lies inside. What a reading is
worth goes with it: one that is not usable ends the one before and covers no
time, one that is suspect counts and is counted apart. Sums go forward with
each reading and are taken anew whenever the window has turned over once, so
that neither years of running nor one spike leave anything behind.

The window reaches ``(now - window, now]``, its largest value is that of the
readings within it. Definitions: common practice, no source; averaging windows
of 24 h: 22 CCR 60301.320(a)(2) (from memory).
"""

import math
from collections import deque
from collections.abc import Iterable, Iterator
from typing import Literal

Worth = Literal[0, 1, 2]
NOT_USABLE: Worth = 0
USABLE: Worth = 1
SUSPECT: Worth = 2  # counts, and is told apart

Reading = tuple[int, float, int]
"""UTC or monotonic milliseconds, value, worth."""

Rolled = tuple[float, float, int, int, int]
"""Mean, largest value, time above the limit, usable time, suspect time of that; times in ms.

With no usable time the mean is the newest reading's, and of no use; without a
usable reading in the window the largest value is minus infinity.
"""


def rolling(  # noqa: C901, PLR0912 - one loop without calls: it runs for each of millions of readings
    readings: Iterable[Reading], *, window_ms: int, limit: float = math.inf, longest_ms: int = 1 << 62
) -> Iterator[Rolled]:
    """The figures of the window that ends at each reading, one for each.

    Args:
        readings: in the order of time; taken one by one, as they come.
        window_ms: length of the window.
        limit: above which time is counted; a value equal to it is not above.
        longest_ms: time a reading may stand for.
    """
    held: deque[tuple[int, int, float, int]] = deque()  # start, stop, value, worth: usable time within the window
    tops: deque[tuple[int, float]] = deque()  # readings that no later one within the window exceeds
    total, above, usable, suspect = 0.0, 0, 0, 0
    time, value, worth = 0, 0.0, 0
    renew_ms: int | None = None
    for now, newest, its_worth in readings:
        if worth and now > time:
            stop = now if now - time <= longest_ms else time + longest_ms
            held.append((time, stop, value, worth))
            lasting = stop - time
            total += value * lasting
            usable += lasting
            if value > limit:
                above += lasting
            if worth == 2:  # noqa: PLR2004 - SUSPECT, written out, since a global costs
                suspect += lasting
        time, value, worth = now, newest, its_worth
        begin = now - window_ms
        while held and held[0][1] <= begin:
            start, stop, gone, its = held.popleft()
            lasting = stop - start
            total -= gone * lasting
            usable -= lasting
            if gone > limit:
                above -= lasting
            if its == 2:  # noqa: PLR2004 - as above
                suspect -= lasting
        if worth:
            while tops and tops[-1][1] <= newest:
                tops.pop()
            tops.append((now, newest))
        while tops and tops[0][0] <= begin:
            tops.popleft()
        if renew_ms is None or now >= renew_ms:
            total, renew_ms = math.fsum((stop - start) * kept for start, stop, kept, _ in held), now + window_ms
        largest = tops[0][1] if tops else -math.inf
        if held and held[0][0] < begin:
            start, _, edge, its = held[0]
            over = begin - start
            inside = usable - over
            yield (
                (total - edge * over) / inside,
                largest,
                above - over if edge > limit else above,
                inside,
                suspect - over if its == 2 else suspect,  # noqa: PLR2004 - as above
            )
        else:
            yield total / usable if usable else newest, largest, above, usable, suspect
