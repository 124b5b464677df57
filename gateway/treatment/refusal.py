"""An input that a published figure does not cover. Pure.

Nothing of the trade's arithmetic goes on beyond the range its source gives:
it refuses, and says what was given, what is allowed and by which source. A
calculated tag makes a bad reading of that.
"""

import math


class NotCovered(ValueError):  # noqa: N818 - named for what is the case
    """A value outside the range that a source covers.

    Args:
        what: name of the quantity with its unit.
        found: the value.
        allowed: the range, in words.
        source: clause or publication.
    """

    def __init__(self, what: str, found: object, allowed: str, source: str) -> None:
        self.what = what
        self.found = found
        self.allowed = allowed
        self.source = source
        super().__init__(f"{what} {found}, allowed is {allowed} ({source})")


def within(what: str, value: float, low: float, high: float, source: str) -> float:
    """The value, if it lies from ``low`` to ``high``, ends included.

    Raises:
        NotCovered: it does not, or is no number.
    """
    if math.isfinite(value) and low <= value <= high:
        return value
    if math.isinf(high):
        raise NotCovered(what, value, f"{low:g} or more", source)
    raise NotCovered(what, value, f"{low:g} to {high:g}", source)


def above_zero(what: str, value: float, source: str) -> float:
    """The value, if it is a number above 0.

    Raises:
        NotCovered: it is not.
    """
    if math.isfinite(value) and value > 0:
        return value
    raise NotCovered(what, value, "more than 0", source)


def not_negative(what: str, value: float, source: str) -> float:
    """The value, if it is a number from 0 up.

    Raises:
        NotCovered: it is not.
    """
    return within(what, value, 0.0, math.inf, source)
