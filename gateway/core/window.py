"""Amounts in a window of time that ends now, ``(now - window, now]``: how much, remembered in few marks.

A mark is an instant and an amount. Time is gathered in marks of a width, so
that a day needs no more of them than an hour; occurrences have no width.
"""

Marks = tuple[tuple[int, int], ...]

PARTS = 240  # of a window: a day is remembered to 6 min, and the oldest part counts until all of it has left


def width_ms(window_ms: int) -> int:
    """How much time one mark gathers."""
    return max(1, window_ms // PARTS)


def lasted(marks: Marks, *, amount_ms: int, now_ms: int, window_ms: int) -> Marks:
    """With the time that ends now added, and without what has left the window.

    A mark of time carries the instant until which it gathers, so that none of it is given up too early.
    """
    kept = tuple([mark for mark in marks if mark[0] > now_ms - window_ms])
    if amount_ms <= 0:
        return kept if len(kept) != len(marks) else marks
    if kept and now_ms <= kept[-1][0]:
        until_ms, before_ms = kept[-1]
        return (*kept[:-1], (until_ms, before_ms + amount_ms))
    return (*kept, (now_ms + width_ms(window_ms), amount_ms))


def happened(marks: Marks, *, times: int, now_ms: int, window_ms: int, enough: int) -> Marks:
    """With so many occurrences now added, without what has left the window, and no more than make ``enough``."""
    kept = [mark for mark in marks if mark[0] > now_ms - window_ms]
    if times > 0:
        kept.append((now_ms, times))
    spare = total(tuple(kept)) - enough
    while kept and spare >= kept[0][1]:
        spare -= kept.pop(0)[1]
    return tuple(kept) if times > 0 or len(kept) != len(marks) else marks


def total(marks: Marks) -> int:
    """What the marks amount to."""
    return sum([amount for _, amount in marks])


def shifted_marks(marks: Marks, shift_ms: int) -> Marks:
    """Marks carried into another run's monotonic time."""
    return tuple([(at_ms + shift_ms, amount) for at_ms, amount in marks])
