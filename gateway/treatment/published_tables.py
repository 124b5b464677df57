"""How a published table is read: which cell stands for an input between two printed ones. Pure.

Without interpolation the regulation takes the cell that asks for more: the
lower temperature, and for Giardia by free chlorine the higher pH and the
higher residual (40 CFR 141.74(b)(3)(v) footnotes, from memory; practice in
federal guidance). Ends: below a first column printed "<=" that column stands;
above the last temperature the last one stands, since more heat asks for less.
"""

import math
from collections.abc import Mapping, Sequence
from typing import TypeVar

from gateway.treatment.refusal import NotCovered, within

T = TypeVar("T")

COLDEST_C = 0.0
"""Water below this is none of the tables' business."""
WARMEST_C = 100.0
"""Nor is water above."""

Columns = Mapping[float, Sequence[float]]
"""Log inactivation to the values at each temperature of a table, coldest first."""

_DIGITS = 9  # of a log or a residual; hides what binary fractions do to 0.1 + 0.2


def rounded_up_half(value: float) -> float:
    """To a whole number, a half upward, as the guidance manual prints partial logs."""
    return math.floor(round(value, _DIGITS) + 0.5)


def checked_temperature(temperature_c: float, source: str) -> float:
    """The temperature, if it is that of liquid water.

    Raises:
        NotCovered: it is not.
    """
    return within("temperature degC", temperature_c, COLDEST_C, WARMEST_C, source)


def place_at_or_below(steps: Sequence[float], value: float) -> int:
    """Place of the largest step that is not above a value; the first where all are above."""
    return max(0, sum(step <= round(value, _DIGITS) for step in steps) - 1)


def place_at_or_above(steps: Sequence[float], value: float) -> int:
    """Place of the smallest step that is not below a value; the last where all are below."""
    return min(len(steps) - 1, sum(step < round(value, _DIGITS) for step in steps))


def between(steps: Sequence[float], value: float) -> tuple[int, int, float]:
    """The two places around a value and how far it lies from the first to the second; ends stand for what is beyond."""
    held = min(max(value, steps[0]), steps[-1])
    low, high = place_at_or_below(steps, held), place_at_or_above(steps, held)
    return low, high, 0.0 if low == high else (held - steps[low]) / (steps[high] - steps[low])


def cell(columns: Columns, temperatures_c: Sequence[float], log: float, temperature_c: float, source: str) -> float:
    """The value of a table by log inactivation and temperature: the next higher printed log, the lower temperature.

    Args:
        columns: of the table.
        temperatures_c: of its columns.
        log: inactivation wanted, log10.
        temperature_c: of the water.
        source: of the table, for the refusal.

    Raises:
        NotCovered: more log than the table has, none, or no temperature of water.
    """
    logs = sorted(columns)
    within("log inactivation", log, 0.0, logs[-1], source)
    if log == 0:
        return 0.0
    checked_temperature(temperature_c, source)
    place = place_at_or_below(temperatures_c, temperature_c)
    return columns[logs[place_at_or_above(logs, log)]][place]


def log_of(columns: Columns, temperatures_c: Sequence[float], ct_mg_min_l: float, temperature_c: float) -> float:
    """The log inactivation of a CT: a straight line between printed logs, from none at 0, and no more than the last.

    Args:
        columns: of the table.
        temperatures_c: of its columns; the lower one stands.
        ct_mg_min_l: from 0, already checked.
        temperature_c: of the water, already checked.
    """
    place = place_at_or_below(temperatures_c, temperature_c)
    log, ct = 0.0, 0.0
    for upper in sorted(columns):
        upper_ct = columns[upper][place]
        if ct_mg_min_l < upper_ct:
            return log + (upper - log) * (ct_mg_min_l - ct) / (upper_ct - ct)
        log, ct = upper, upper_ct
    return log


def chosen(name: str, given: str, offered: Mapping[str, T], source: str) -> T:
    """What a name stands for.

    Raises:
        NotCovered: it stands for nothing.
    """
    found = offered.get(given.strip().lower())
    if found is None:
        raise NotCovered(name, given, ", ".join(offered), source)
    return found
