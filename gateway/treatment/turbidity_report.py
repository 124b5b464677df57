"""Turbidity as it is printed: increments of EPA Method 180.1 rev. 2.0 (1993) section 12, from memory. Pure.

For print alone: no limit is ever compared with a rounded value.
"""

import math
from decimal import ROUND_HALF_UP, Decimal

from gateway.treatment.refusal import not_negative

SOURCE = "EPA Method 180.1 section 12"

INCREMENTS: tuple[tuple[float, str], ...] = (
    (1.0, "0.05"),
    (10.0, "0.1"),
    (40.0, "1"),
    (100.0, "5"),
    (400.0, "10"),  # from memory and in no table at hand
    (1_000.0, "50"),  # the same
    (math.inf, "100"),
)
"""Up to which turbidity, NTU, and the nearest what is reported."""


def increment_ntu(turbidity_ntu: float) -> float:
    """What a turbidity is reported to the nearest of, NTU.

    Args:
        turbidity_ntu: as measured, from 0.

    Raises:
        NotCovered: below 0.
    """
    return float(_increment(turbidity_ntu))


def _increment(turbidity_ntu: float) -> Decimal:
    not_negative("turbidity NTU", turbidity_ntu, SOURCE)
    return Decimal(next(step for upto, step in INCREMENTS if turbidity_ntu <= upto))


def reported_ntu(turbidity_ntu: float) -> float:
    """A turbidity as it is printed, NTU; a half goes up.

    Args:
        turbidity_ntu: as measured, from 0.

    Raises:
        NotCovered: below 0.
    """
    step = _increment(turbidity_ntu)
    return float((Decimal(repr(float(turbidity_ntu))) / step).quantize(Decimal(1), ROUND_HALF_UP) * step)
