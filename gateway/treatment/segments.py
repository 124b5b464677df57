"""Disinfection segments in series: CT of each, and what they make together. Pure.

Giardia: the ratios CT/CT99.9 of the segments are added, and 3 log times their
sum counts (40 CFR 141.534). Cryptosporidium: the CT values themselves are
added (40 CFR 141.720(a)(2)).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from gateway.treatment.giardia_by_chlorine import LOGS_OF_TABLE, Look, ct_of_table
from gateway.treatment.refusal import not_negative

SOURCE = "40 CFR 141.534"


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One segment, from a point of injection or measurement to the next.

    Args:
        t10_min: contact time at peak hourly flow.
        residual_mg_l: at its end, before the first user.
        temperature_c: of the water.
        ph: of the water.
    """

    t10_min: float
    residual_mg_l: float
    temperature_c: float
    ph: float


def ct_mg_min_l(residual_mg_l: float, time_min: float) -> float:
    """CT of a segment, mg.min/L.

    Args:
        residual_mg_l: at its end, from 0.
        time_min: T10 or modal time, whichever the rule names, from 0.

    Raises:
        NotCovered: below 0.
    """
    return not_negative("residual mg/L", residual_mg_l, SOURCE) * not_negative("time min", time_min, SOURCE)


def giardia_ratio(segments: Iterable[Segment], look: Look = Look.CONSERVATIVE) -> float:
    """Sum of CT/CT99.9 over the segments, not rounded.

    Args:
        segments: in series.
        look: how the table is read between its cells.

    Raises:
        NotCovered: an input of a segment that the table does not cover.
    """
    return math.fsum(
        ct_mg_min_l(one.residual_mg_l, one.t10_min)
        / ct_of_table(temperature_c=one.temperature_c, ph=one.ph, residual_mg_l=one.residual_mg_l, look=look)
        for one in segments
    )


def giardia_log(segments: Iterable[Segment], look: Look = Look.CONSERVATIVE) -> float:
    """Log inactivation of Giardia by free chlorine over the segments, not rounded.

    Args:
        segments: in series.
        look: how the table is read between its cells.

    Raises:
        NotCovered: see ``giardia_ratio``.
    """
    return LOGS_OF_TABLE * giardia_ratio(segments, look)
