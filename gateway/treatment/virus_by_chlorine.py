"""CT that inactivates viruses by free chlorine: EPA SWTR Guidance Manual (1991) Table E-7. Pure.

One value from pH 6 to 9, one at pH 10; between 9 and 10 a straight line in pH
(practice in the federal treatment plant model). The lower printed temperature
stands. The row of 4 log at pH 6 to 9 is as seen in EPA 815-R-20-003 Table B-2;
the rest is partly seen, partly from memory, and all of it is in proportion to
4 log within a unit and the printed rounding.
"""

from gateway.treatment.published_tables import Columns, cell, checked_temperature, place_at_or_below
from gateway.treatment.refusal import not_negative, within

SOURCE = "EPA SWTR Guidance Manual (1991) Table E-7"
TEMPERATURES_C = (0.5, 5.0, 10.0, 15.0, 20.0, 25.0)
MOST_LOGS = 4.0
PH_LOWEST, PH_FLAT, PH_HIGHEST = 6.0, 9.0, 10.0

PH_6_TO_9: Columns = {
    2.0: (6, 4, 3, 2, 1, 1),
    3.0: (9, 6, 4, 3, 2, 1),
    4.0: (12, 8, 6, 4, 3, 2),
}
"""CT in mg.min/L. From memory and in no table at hand: 2 log at 5 and 15 degC; 3 log at 0.5, 10 and 20 degC."""

PH_10: Columns = {
    2.0: (45, 30, 22, 15, 11, 7),
    3.0: (66, 44, 33, 22, 16, 11),
    4.0: (90, 60, 45, 30, 22, 15),
}
"""CT in mg.min/L. From memory and in no table at hand: 2 log at 10 and 25; 3 log at 5, 15, 25; 4 log at 0.5 and 20."""


def required_ct(log: float, *, temperature_c: float, ph: float) -> float:
    """CT for a log inactivation of viruses by free chlorine, mg.min/L, of the next higher printed log (2, 3, 4).

    Args:
        log: inactivation wanted, log10, 0 to 4.
        temperature_c: of the water, 0 to 100; above 25 the 25 column stands.
        ph: 6 to 10.

    Raises:
        NotCovered: outside these ranges.
    """
    share = _toward_10(ph)
    flat = cell(PH_6_TO_9, TEMPERATURES_C, log, temperature_c, SOURCE)
    return flat + (cell(PH_10, TEMPERATURES_C, log, temperature_c, SOURCE) - flat) * share


def _toward_10(ph: float) -> float:
    within("pH", ph, PH_LOWEST, PH_HIGHEST, SOURCE)
    return max(0.0, ph - PH_FLAT) / (PH_HIGHEST - PH_FLAT)


def proportional_log(ct_mg_min_l: float, *, temperature_c: float, ph: float) -> float:
    """Log inactivation in proportion to the 4-log row, without the cap that a credit has.

    Args:
        ct_mg_min_l: CT of free chlorine, from 0.
        temperature_c: see ``required_ct``.
        ph: 6 to 10.

    Raises:
        NotCovered: outside these ranges.
    """
    not_negative("CT mg.min/L", ct_mg_min_l, SOURCE)
    checked_temperature(temperature_c, SOURCE)
    place = place_at_or_below(TEMPERATURES_C, temperature_c)
    flat = PH_6_TO_9[MOST_LOGS][place]
    return MOST_LOGS * ct_mg_min_l / (flat + (PH_10[MOST_LOGS][place] - flat) * _toward_10(ph))


def log_inactivation(ct_mg_min_l: float, *, temperature_c: float, ph: float) -> float:
    """Log credit, in proportion to the 4-log row and at most 4, where the table ends.

    Args:
        ct_mg_min_l: CT of free chlorine, from 0.
        temperature_c: see ``required_ct``.
        ph: 6 to 10.

    Raises:
        NotCovered: outside these ranges.
    """
    return min(MOST_LOGS, proportional_log(ct_mg_min_l, temperature_c=temperature_c, ph=ph))
