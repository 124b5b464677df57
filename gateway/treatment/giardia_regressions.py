"""The two published regressions of the Giardia table for free chlorine. Pure.

The rules of use and the refusals are the table's, ``giardia_by_chlorine``;
see ``ct_of_table`` there for the ranges.
"""

import math

from gateway.treatment.giardia_by_chlorine import MOST_LOGS, RESIDUALS_MG_L, TEMPERATURES_C, checked_ph
from gateway.treatment.refusal import within

REGRESSION = "J. Water SRT-Aqua 44(5):203 (1995)"
SIMPLIFIED = "EPA/600/J-93/269 (from memory)"
_BRANCH_C = 12.5


def required_ct_by_regression(log: float, *, temperature_c: float, ph: float, residual_mg_l: float) -> float:
    """CT for a log inactivation by the two-branch regression of 1995, mg.min/L.

    Never below the table at any of its 588 cells (0 to 17 % above), and between them below a straight line by 0.03 at
    most, so that it may stand in for it. The branches meet at 12.5 degC with a step of 2 %.

    Args:
        log: inactivation wanted, log10, 0 to 6.
        temperature_c: see ``ct_of_table``.
        ph: see ``ct_of_table``.
        residual_mg_l: see ``ct_of_table``.

    Raises:
        NotCovered: see ``ct_of_table``.
    """
    within("log inactivation", log, 0.0, MOST_LOGS, REGRESSION)
    held_ph = checked_ph(temperature_c, ph, residual_mg_l, REGRESSION)
    warmth = min(max(temperature_c, TEMPERATURES_C[0]), TEMPERATURES_C[-1])
    chlorine = min(max(residual_mg_l, RESIDUALS_MG_L[0]), RESIDUALS_MG_L[-1])
    if warmth < _BRANCH_C:
        return 0.353 * log * (12.006 + math.exp(2.46 - 0.073 * warmth + 0.125 * chlorine + 0.389 * held_ph))
    return 0.361 * log * (-2.261 + math.exp(2.69 - 0.065 * warmth + 0.111 * chlorine + 0.361 * held_ph))


def required_ct_simplified(log: float, *, temperature_c: float, ph: float, residual_mg_l: float) -> float:
    """CT for a log inactivation by the one-line regression of federal guidance, mg.min/L.

    NOT CONSERVATIVE: 311 of the table's 588 cells lie above it, by up to 11 %. For comparison, never for compliance;
    no formula can call it.

    Args:
        log: inactivation wanted, log10, 0 to 6.
        temperature_c: see ``ct_of_table``.
        ph: see ``ct_of_table``.
        residual_mg_l: see ``ct_of_table``.

    Raises:
        NotCovered: see ``ct_of_table``.
    """
    within("log inactivation", log, 0.0, MOST_LOGS, SIMPLIFIED)
    held_ph = checked_ph(temperature_c, ph, residual_mg_l, SIMPLIFIED)
    warmth = min(max(temperature_c, TEMPERATURES_C[0]), TEMPERATURES_C[-1])
    chlorine = min(max(residual_mg_l, RESIDUALS_MG_L[0]), RESIDUALS_MG_L[-1])
    return 0.2828 * math.pow(held_ph, 2.69) * math.pow(chlorine, 0.15) * math.pow(0.933, warmth - 5) * log
