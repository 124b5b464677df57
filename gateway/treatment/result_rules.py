"""Rules over a series of laboratory results, and the chlorine contact of Title 22. Pure.

Each rule takes its limits as arguments: they are data of a criterion. The
figures that stand here as defaults are those of the clause that the rule is
worded after.
"""

from collections.abc import Sequence

from gateway.treatment.limits import exceeds, reaches
from gateway.treatment.refusal import not_negative
from gateway.treatment.results import Result, how_many_above, is_above, running_medians, share_at_most

CHLORINE_SOURCE = "22 CCR 60301.230(a)(1)"
LEAST_CT_MG_MIN_L = 450.0
LEAST_MODAL_MIN = 90.0
COLIFORM_MEDIAN, COLIFORM_ONCE, COLIFORM_NEVER = 2.2, 23.0, 240.0
"""MPN/100 mL, 22 CCR 60301.230(b)."""


def chlorine_contact_met(total_chlorine_mg_l: float, modal_min: float) -> bool:
    """Whether chlorine contact meets 22 CCR 60301.230(a)(1): CT of 450 mg.min/L at least, and 90 min at least.

    Args:
        total_chlorine_mg_l: total residual, at the point of the contact time, from 0.
        modal_min: modal contact time, from 0.

    Raises:
        NotCovered: below 0.
    """
    not_negative("total chlorine mg/L", total_chlorine_mg_l, CHLORINE_SOURCE)
    not_negative("modal time min", modal_min, CHLORINE_SOURCE)
    return reaches(total_chlorine_mg_l * modal_min, LEAST_CT_MG_MIN_L) and reaches(modal_min, LEAST_MODAL_MIN)


def medians_kept(results: Sequence[Result], limit: float = COLIFORM_MEDIAN, count: int = 7) -> bool:
    """Whether no median of the last ``count`` finished results was above a limit, 22 CCR 60301.230(b)."""
    return not any(exceeds(one.value, limit) for one in running_medians(results, count))


def at_most_once_above(results: Sequence[Result], limit: float = COLIFORM_ONCE, count: int = 30) -> bool:
    """Whether no row of ``count`` results had more than one above a limit (22 CCR 60301.230(b): any 30-day period)."""
    ends = range(min(count, len(results)), len(results) + 1)
    return all(how_many_above(results[max(0, end - count) : end], limit) <= 1 for end in ends)


def never_above(results: Sequence[Result], limit: float = COLIFORM_NEVER) -> bool:
    """Whether no result was above a limit."""
    return not any(is_above(one, limit) for one in results)


def coliform_met(daily: Sequence[Result]) -> bool:
    """Whether daily total coliform results meet 22 CCR 60301.230(b): 2.2 median, 23 once, 240 never."""
    return medians_kept(daily) and at_most_once_above(daily) and never_above(daily)


def share_and_largest_met(results: Sequence[Result], limit: float, *, share: float, most: float) -> bool:
    """Whether enough results are at or below a limit and none is above another.

    Reg. (EU) 2020/741 Annex I section 2 (from memory): 90 % of the samples, none more than 1 log (E. coli) or 100 %
    (BOD5, TSS, turbidity) above.

    Args:
        results: of the series.
        limit: which ``share`` of them must not be above.
        share: 0 to 1.
        most: which none must be above.

    Raises:
        ZeroDivisionError: there is no result.
    """
    return reaches(share_at_most(results, limit), share) and never_above(results, most)
