"""Laboratory results: values with their qualifier, their median, geometric mean and shares. Pure.

A result below detection keeps its "<" and enters a ranking as its limit, below
a result of the same figure that was detected; so a median may be "< 1.8".
Logs are taken before means. Means and medians are not rounded here.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from gateway.treatment.limits import exceeds, reaches
from gateway.treatment.refusal import NotCovered, above_zero, not_negative

_RULE = "a number, or < or > before one"
_SIGNS = {"<": -1, ">": 1}


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One result.

    Args:
        value: the figure, or the limit behind the sign; count/100 mL, mg/L or what the method gives.
        sign: -1 below that limit ("<"), 1 above it (">"), 0 as it stands.
    """

    value: float
    sign: int = 0

    @property
    def detected(self) -> bool:
        """Whether it is not below detection."""
        return self.sign >= 0

    def __str__(self) -> str:
        return f"{'<' if self.sign < 0 else '>' if self.sign > 0 else ''}{self.value:g}"


def result_of(text: str | float) -> Result:
    """Read a result such as ``<1.8``, ``23`` or ``>2419.6``.

    Raises:
        NotCovered: no such result, or one below 0.
    """
    plain = str(text).strip()
    sign = _SIGNS.get(plain[:1], 0)
    try:
        value = float(plain[1:] if sign else plain)
    except ValueError:
        raise NotCovered("result", plain, _RULE, "laboratory result") from None
    return Result(value=not_negative("result", value, "laboratory result"), sign=sign)


def median_of(results: Iterable[Result]) -> Result:
    """The middle result by rank; of an even number the mean of the two in the middle.

    Raises:
        ValueError: there is no result.
    """
    ranked = sorted(results, key=lambda one: (one.value, one.sign))
    if not ranked:
        raise ValueError("a median of at least one result is needed")
    low, high = ranked[(len(ranked) - 1) // 2], ranked[len(ranked) // 2]
    if low == high:
        return low
    return Result(value=(low.value + high.value) / 2, sign=low.sign if low.sign == high.sign else 0)


def running_medians(results: Sequence[Result], count: int) -> Iterator[Result]:
    """The median of the last ``count`` finished results, at each of them; of all while there are fewer.

    The window is of results, not of dates: 22 CCR 60301.230(b), "last seven days for which analyses have been
    completed". The first comes with the ``count``-th result, or with the last when there are fewer.
    """
    for end in range(min(count, len(results)), len(results) + 1):
        if end:
            yield median_of(results[max(0, end - count) : end])


def geometric_mean(values: Iterable[float]) -> float:
    """Geometric mean, logs before the mean.

    Raises:
        NotCovered: a value not above 0, which has no log.
        ValueError: there is no value.
    """
    logs = [math.log(above_zero("value", value, "geometric mean")) for value in values]
    if not logs:
        raise ValueError("a geometric mean of at least one value is needed")
    return math.exp(math.fsum(logs) / len(logs))


def share_not_detected(results: Sequence[Result]) -> float:
    """Share of results below detection, 0 to 1.

    Raises:
        ZeroDivisionError: there is no result.
    """
    return sum(not one.detected for one in results) / len(results)


def share_at_most(results: Sequence[Result], limit: float) -> float:
    """Share of results at or below a limit, 0 to 1.

    Raises:
        ZeroDivisionError: there is no result.
    """
    return sum(not is_above(one, limit) for one in results) / len(results)


def is_above(result: Result, limit: float) -> bool:
    """Whether a result is above a limit; one above its own limit (">") is, where that limit is reached."""
    return exceeds(result.value, limit) or (result.sign > 0 and reaches(result.value, limit))


def how_many_above(results: Iterable[Result], limit: float) -> int:
    """How many results are above a limit."""
    return sum(is_above(one, limit) for one in results)
