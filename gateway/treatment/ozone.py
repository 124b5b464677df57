"""CT by ozone: Giardia, viruses and Cryptosporidium. Pure.

Giardia and viruses: EPA SWTR Guidance Manual (1991) Tables E-10 and E-11, the
lower printed temperature. Cryptosporidium: 40 CFR 141.720(b)(2), whose
equation the rule allows between printed values; chlorine dioxide by that of
(b)(1). CT is computed at least daily at peak hourly flow, and CT values of
segments in series are added (141.720(a)(2)).
"""

import math
from collections.abc import Mapping

from gateway.treatment.published_tables import Columns, cell, checked_temperature, chosen, log_of
from gateway.treatment.refusal import not_negative

SOURCE = "EPA SWTR Guidance Manual (1991) Tables E-10 and E-11"
CRYPTO_SOURCE = "40 CFR 141.720(b)(2)"
DIOXIDE_SOURCE = "40 CFR 141.720(b)(1)"
TEMPERATURES_C = (1.0, 5.0, 10.0, 15.0, 20.0, 25.0)
CRYPTO_TEMPERATURES_C = (0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 25.0, 30.0)
MOST_CRYPTO_LOGS = 3.0

GIARDIA: Columns = {
    0.5: (0.48, 0.32, 0.23, 0.16, 0.12, 0.08),
    1.0: (0.97, 0.63, 0.48, 0.32, 0.24, 0.16),
    1.5: (1.5, 0.95, 0.72, 0.48, 0.36, 0.24),
    2.0: (1.9, 1.3, 0.95, 0.63, 0.48, 0.32),
    2.5: (2.4, 1.6, 1.2, 0.79, 0.60, 0.40),
    3.0: (2.9, 1.9, 1.43, 0.95, 0.72, 0.48),
}
"""CT in mg.min/L. From memory and in no table at hand: 0.5 log at 10 and 25; 1 log at 5 and 20; 1.5 log at 1 and 15;
2 log at 10 and 25; 2.5 log at 5 and 20; 3 log at 1 and 15."""

VIRUS: Columns = {
    2.0: (0.9, 0.6, 0.5, 0.3, 0.25, 0.15),
    3.0: (1.4, 0.9, 0.8, 0.5, 0.4, 0.25),
    4.0: (1.8, 1.2, 1.0, 0.6, 0.5, 0.3),
}
"""CT in mg.min/L. From memory and in no table at hand: 2 log at 5 and 20; 3 log at 10 and 25; 4 log at 1 and 15."""

CRYPTOSPORIDIUM: Columns = {
    0.25: (6.0, 5.8, 5.2, 4.8, 4.0, 3.3, 2.5, 1.6, 1.0, 0.6, 0.39),
    0.5: (12, 12, 10, 9.5, 7.9, 6.5, 4.9, 3.1, 2.0, 1.2, 0.78),
    1.0: (24, 23, 21, 19, 16, 13, 9.9, 6.2, 3.9, 2.5, 1.6),
    1.5: (36, 35, 31, 29, 24, 20, 15, 9.3, 5.9, 3.7, 2.4),
    2.0: (48, 46, 42, 38, 32, 26, 20, 12, 7.8, 4.9, 3.1),
    2.5: (60, 58, 52, 48, 40, 33, 25, 16, 9.8, 6.2, 3.9),
    3.0: (72, 69, 63, 57, 47, 39, 30, 19, 12, 7.4, 4.7),
}
"""CT in mg.min/L. From memory: the columns of 2, 7, 15 and 30 degC, which the rule's equation confirms within 4.5 %."""

_TABLES: Mapping[str, tuple[Columns, tuple[float, ...], str]] = {
    "giardia": (GIARDIA, TEMPERATURES_C, SOURCE),
    "virus": (VIRUS, TEMPERATURES_C, SOURCE),
    "cryptosporidium": (CRYPTOSPORIDIUM, CRYPTO_TEMPERATURES_C, CRYPTO_SOURCE),
}


def required_ct(target: str, log: float, *, temperature_c: float) -> float:
    """CT for a log inactivation by ozone, mg.min/L, of the next higher printed log and the lower temperature.

    Args:
        target: ``giardia`` (to 3 log), ``virus`` (to 4 log) or ``cryptosporidium`` (to 3 log).
        log: inactivation wanted, log10, from 0.
        temperature_c: of the water, 0 to 100; the ends of the table stand for what is beyond.

    Raises:
        NotCovered: another target, more log than the table has, no temperature of water.
    """
    columns, temperatures_c, source = chosen("target", target, _TABLES, SOURCE)
    return cell(columns, temperatures_c, log, temperature_c, source)


def log_inactivation(target: str, ct_mg_min_l: float, *, temperature_c: float) -> float:
    """Log credit of ozone: a straight line between the printed logs, for Cryptosporidium the rule's equation.

    Never more than the highest log of the table.

    Args:
        target: see ``required_ct``.
        ct_mg_min_l: CT of ozone, from 0.
        temperature_c: see ``required_ct``.

    Raises:
        NotCovered: see ``required_ct``; or a CT below 0.
    """
    columns, temperatures_c, source = chosen("target", target, _TABLES, SOURCE)
    not_negative("CT mg.min/L", ct_mg_min_l, source)
    checked_temperature(temperature_c, source)
    if columns is CRYPTOSPORIDIUM:
        return min(MOST_CRYPTO_LOGS, crypto_log(ct_mg_min_l, temperature_c=temperature_c))
    return log_of(columns, temperatures_c, ct_mg_min_l, temperature_c)


def crypto_log(ct_mg_min_l: float, *, temperature_c: float) -> float:
    """Cryptosporidium log by ozone: 0.0397 x 1.09757^T x CT, without the cap that a credit has.

    Args:
        ct_mg_min_l: CT of ozone, from 0.
        temperature_c: of the water, 0 to 100; below 0.5 counts as 0.5, above 30 as 30.

    Raises:
        NotCovered: outside these ranges.
    """
    return _by_equation(0.0397, 1.09757, ct_mg_min_l, temperature_c, CRYPTO_SOURCE)


def crypto_log_by_chlorine_dioxide(ct_mg_min_l: float, *, temperature_c: float) -> float:
    """Cryptosporidium log by chlorine dioxide: 0.001506 x 1.09116^T x CT, at most 3.

    Args:
        ct_mg_min_l: CT of chlorine dioxide, from 0.
        temperature_c: of the water, 0 to 100; below 0.5 counts as 0.5, above 30 as 30.

    Raises:
        NotCovered: outside these ranges.
    """
    return min(MOST_CRYPTO_LOGS, _by_equation(0.001506, 1.09116, ct_mg_min_l, temperature_c, DIOXIDE_SOURCE))


def _by_equation(factor: float, base: float, ct_mg_min_l: float, temperature_c: float, source: str) -> float:
    not_negative("CT mg.min/L", ct_mg_min_l, source)
    checked_temperature(temperature_c, source)
    held_c = min(max(temperature_c, CRYPTO_TEMPERATURES_C[0]), CRYPTO_TEMPERATURES_C[-1])
    return factor * math.pow(base, held_c) * ct_mg_min_l
