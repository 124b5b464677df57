"""CT that inactivates Giardia and viruses by combined chlorine. Pure.

EPA SWTR Guidance Manual (1991) Tables E-12 and E-13. Water that is not fully
nitrified carries combined chlorine, to which the free-chlorine tables do not
apply. The virus values hold only where chlorine is added before ammonia. The
lower printed temperature stands; the first column is printed "<= 1".
"""

from collections.abc import Mapping

from gateway.treatment.published_tables import Columns, cell, checked_temperature, chosen, log_of
from gateway.treatment.refusal import not_negative

SOURCE = "EPA SWTR Guidance Manual (1991) Tables E-12 and E-13"
TEMPERATURES_C = (1.0, 5.0, 10.0, 15.0, 20.0, 25.0)

GIARDIA: Columns = {
    0.5: (635, 365, 310, 250, 185, 125),
    1.0: (1270, 735, 615, 500, 370, 250),
    1.5: (1900, 1100, 930, 750, 550, 375),
    2.0: (2535, 1470, 1230, 1000, 735, 500),
    2.5: (3170, 1830, 1540, 1250, 915, 625),
    3.0: (3800, 2200, 1850, 1500, 1100, 750),
}
"""CT in mg.min/L. From memory and in no table at hand: 1.5 and 2.5 log whole; 0.5 log at 5 and 20; 1 log at 1 and 15;
2 log at 10 and 25; 3 log at 5. One transcription prints 1000 for 3 log at 20 degC; 6 x 185 supports 1100, which also
asks for more."""

VIRUS: Columns = {
    2.0: (1243, 857, 643, 428, 321, 214),
    3.0: (2063, 1423, 1067, 712, 534, 356),
    4.0: (2883, 1988, 1491, 994, 746, 497),
}
"""CT in mg.min/L. From memory and in no table at hand: 2 log at 10 and 25; 3 log at 5 and 20; 4 log at 1 and 15."""

TABLES: Mapping[str, Columns] = {"giardia": GIARDIA, "virus": VIRUS}


def required_ct(target: str, log: float, *, temperature_c: float) -> float:
    """CT for a log inactivation by combined chlorine, mg.min/L, of the next higher printed log.

    Args:
        target: ``giardia`` (to 3 log) or ``virus`` (to 4 log; chlorine before ammonia only).
        log: inactivation wanted, log10, from 0.
        temperature_c: of the water, 0 to 100; below 1 the 1 column stands, above 25 the 25 column.

    Raises:
        NotCovered: another target, more log than the table has, no temperature of water.
    """
    return cell(chosen("target", target, TABLES, SOURCE), TEMPERATURES_C, log, temperature_c, SOURCE)


def log_inactivation(target: str, ct_mg_min_l: float, *, temperature_c: float) -> float:
    """Log credit of combined chlorine: a straight line between the printed logs, no more than the last.

    Args:
        target: see ``required_ct``.
        ct_mg_min_l: CT of combined chlorine, from 0.
        temperature_c: see ``required_ct``.

    Raises:
        NotCovered: see ``required_ct``; or a CT below 0.
    """
    columns = chosen("target", target, TABLES, SOURCE)
    not_negative("CT mg.min/L", ct_mg_min_l, SOURCE)
    checked_temperature(temperature_c, SOURCE)
    return log_of(columns, TEMPERATURES_C, ct_mg_min_l, temperature_c)
