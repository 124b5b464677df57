"""CT that inactivates Giardia by free chlorine: the federal table. Pure.

The table is 40 CFR 141.74(b)(3)(v) Tables 1.1 to 1.6, CT for 99.9 % (3 log).
Its rows at 0.4, 0.8, 1.0, 1.2, 1.6, 2.0, 2.4, 2.8 and 3.0 mg/L are as seen in
a transcription of EPA 815-R-20-003 Table B-1, seven cells of 25 degC there
corrected to half of the 15 degC cell. The rows at 0.6, 1.4, 1.8, 2.2 and
2.6 mg/L are from memory; tests/treatment/test_giardia_table.py checks them
against their neighbours, the halving rule and the published regression.

Rules of use: other logs are in proportion (40 CFR 141.534); residual below 0.4
counts as 0.4, above 3 as 3, pH below 6 as 6, temperature below 0.5 as 0.5 and
above 25 as 25; above pH 9 there is no value.
"""

from collections.abc import Sequence
from enum import Enum

from gateway.treatment.published_tables import (
    between,
    checked_temperature,
    place_at_or_above,
    place_at_or_below,
)
from gateway.treatment.refusal import NotCovered, not_negative, within

SOURCE = "40 CFR 141.74(b)(3)(v) Tables 1.1 to 1.6"
LOGS_OF_TABLE = 3.0

TEMPERATURES_C = (0.5, 5.0, 10.0, 15.0, 20.0, 25.0)
PHS = (6.0, 6.5, 7.0, 7.5, 8.0, 8.5, 9.0)
RESIDUALS_MG_L = (0.4, 0.6, 0.8, 1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.4, 2.6, 2.8, 3.0)
FROM_MEMORY_MG_L = (0.6, 1.4, 1.8, 2.2, 2.6)
"""Rows that are recalled, every temperature and pH."""

MOST_LOGS = 6.0
"""Beyond which nobody has extended the table in proportion."""


class Look(Enum):
    """How the table is read between its cells."""

    CONSERVATIVE = "conservative"  # lower temperature, higher pH, next higher residual
    INTERPOLATED = "interpolated"  # a straight line in each of the three


CT_MG_MIN_L: Sequence[Sequence[Sequence[int]]] = (
    (  # 0.5 degC
        (137, 163, 195, 237, 277, 329, 390),
        (141, 168, 200, 239, 286, 342, 407),
        (145, 172, 205, 246, 295, 354, 422),
        (148, 176, 210, 253, 304, 365, 437),
        (152, 180, 215, 259, 313, 376, 451),
        (155, 184, 221, 266, 321, 387, 464),
        (157, 189, 226, 273, 329, 397, 477),
        (162, 193, 231, 279, 338, 407, 489),
        (165, 197, 236, 286, 346, 417, 500),
        (169, 201, 242, 297, 353, 426, 511),
        (172, 205, 247, 298, 361, 435, 522),
        (175, 209, 252, 304, 368, 444, 533),
        (178, 213, 257, 310, 375, 452, 543),
        (181, 217, 261, 316, 382, 460, 552),
    ),
    (  # 5 degC
        (97, 117, 139, 166, 198, 236, 279),
        (100, 120, 143, 171, 204, 244, 291),
        (103, 122, 146, 175, 210, 252, 301),
        (105, 125, 149, 179, 216, 260, 312),
        (107, 127, 152, 183, 221, 267, 320),
        (109, 130, 155, 187, 227, 274, 329),
        (111, 132, 158, 192, 232, 281, 337),
        (114, 135, 162, 196, 238, 287, 345),
        (116, 138, 165, 200, 243, 294, 353),
        (118, 140, 169, 204, 248, 300, 361),
        (120, 143, 172, 209, 253, 306, 368),
        (122, 146, 175, 213, 258, 312, 375),
        (124, 148, 178, 217, 263, 318, 382),
        (126, 151, 182, 221, 268, 324, 389),
    ),
    (  # 10 degC
        (73, 88, 104, 125, 149, 177, 209),
        (75, 90, 107, 128, 153, 183, 218),
        (78, 92, 110, 131, 158, 189, 226),
        (79, 94, 112, 134, 162, 195, 234),
        (80, 95, 114, 137, 166, 200, 240),
        (82, 98, 116, 140, 170, 206, 247),
        (83, 99, 119, 144, 174, 211, 253),
        (86, 101, 122, 147, 179, 215, 259),
        (87, 104, 124, 150, 182, 221, 265),
        (89, 105, 127, 153, 186, 225, 271),
        (90, 107, 129, 157, 190, 230, 276),
        (92, 110, 131, 160, 194, 234, 281),
        (93, 111, 134, 163, 197, 239, 287),
        (95, 113, 137, 166, 201, 243, 292),
    ),
    (  # 15 degC
        (49, 59, 70, 83, 99, 118, 140),
        (50, 60, 72, 86, 102, 122, 146),
        (52, 61, 73, 88, 105, 126, 151),
        (53, 63, 75, 90, 108, 130, 156),
        (54, 64, 76, 92, 111, 134, 160),
        (55, 65, 78, 94, 114, 137, 165),
        (56, 66, 79, 96, 116, 141, 169),
        (57, 68, 81, 98, 119, 144, 173),
        (58, 69, 83, 100, 122, 147, 177),
        (59, 70, 85, 102, 124, 150, 181),
        (60, 72, 86, 105, 127, 153, 184),
        (61, 73, 88, 107, 129, 156, 188),
        (62, 74, 89, 109, 132, 159, 191),
        (63, 76, 91, 111, 134, 162, 195),
    ),
    (  # 20 degC
        (36, 44, 52, 62, 74, 89, 105),
        (38, 45, 54, 64, 77, 92, 109),
        (39, 46, 55, 66, 79, 95, 113),
        (39, 47, 56, 67, 81, 98, 117),
        (40, 48, 57, 69, 83, 100, 120),
        (41, 49, 58, 70, 85, 103, 123),
        (42, 50, 59, 72, 87, 105, 126),
        (43, 51, 61, 74, 89, 108, 129),
        (44, 52, 62, 75, 91, 110, 132),
        (44, 53, 63, 77, 93, 113, 135),
        (45, 54, 65, 78, 95, 115, 138),
        (46, 55, 66, 80, 97, 117, 141),
        (47, 56, 67, 81, 99, 119, 143),
        (47, 57, 68, 83, 101, 122, 146),
    ),
    (  # 25 degC
        (24, 29, 35, 42, 50, 59, 70),
        (25, 30, 36, 43, 51, 61, 73),
        (26, 31, 37, 44, 53, 63, 75),
        (26, 31, 37, 45, 54, 65, 78),
        (27, 32, 38, 46, 55, 67, 80),
        (27, 33, 39, 47, 57, 69, 82),
        (28, 33, 40, 48, 58, 70, 84),
        (29, 34, 41, 49, 60, 72, 86),
        (29, 35, 41, 50, 61, 74, 88),
        (30, 35, 42, 51, 62, 75, 90),
        (30, 36, 43, 52, 63, 77, 92),
        (31, 37, 44, 53, 65, 78, 94),
        (31, 37, 45, 54, 66, 79, 95),
        (32, 38, 46, 55, 67, 81, 97),
    ),
)
"""By temperature, residual, pH; CT for 3 log."""


def ct_of_table(*, temperature_c: float, ph: float, residual_mg_l: float, look: Look = Look.CONSERVATIVE) -> float:
    """CT for 3-log Giardia inactivation by free chlorine, mg.min/L.

    Args:
        temperature_c: of the water, 0 to 100; below 0.5 the 0.5 table stands, above 25 the 25 one.
        ph: up to 9; below 6 counts as 6.
        residual_mg_l: free chlorine as Cl2, from 0; below 0.4 counts as 0.4, above 3 as 3.
        look: how the table is read between its cells.

    Raises:
        NotCovered: a pH above 9, for which the table has no value, or an input that is no measurement.
    """
    held_ph = checked_ph(temperature_c, ph, residual_mg_l, SOURCE)
    if look is Look.CONSERVATIVE:
        warm = place_at_or_below(TEMPERATURES_C, temperature_c)
        row = place_at_or_above(RESIDUALS_MG_L, residual_mg_l)
        return CT_MG_MIN_L[warm][row][place_at_or_above(PHS, held_ph)]
    cold, warm, toward_warm = between(TEMPERATURES_C, temperature_c)
    return _on_line(_in_table(cold, held_ph, residual_mg_l), _in_table(warm, held_ph, residual_mg_l), toward_warm)


def checked_ph(temperature_c: float, ph: float, residual_mg_l: float, source: str) -> float:
    """The pH that stands for the water, if there is a Giardia value for it: below 6 it is 6.

    Raises:
        NotCovered: a pH above 9, or an input that is no measurement.
    """
    checked_temperature(temperature_c, source)
    not_negative("free chlorine mg/L", residual_mg_l, source)
    if ph > PHS[-1]:
        raise NotCovered("pH", ph, "up to 9; there is no Giardia value above", source)
    return max(within("pH", ph, 0.0, PHS[-1], source), PHS[0])


def _in_table(warm: int, ph: float, residual_mg_l: float) -> float:
    low, high, toward_high = between(RESIDUALS_MG_L, residual_mg_l)
    left, right, toward_right = between(PHS, ph)
    table = CT_MG_MIN_L[warm]
    first = _on_line(table[low][left], table[low][right], toward_right)
    return _on_line(first, _on_line(table[high][left], table[high][right], toward_right), toward_high)


def _on_line(first: float, last: float, share: float) -> float:
    return first + (last - first) * share


def required_ct(
    log: float, *, temperature_c: float, ph: float, residual_mg_l: float, look: Look = Look.CONSERVATIVE
) -> float:
    """CT for a log inactivation of Giardia by free chlorine, mg.min/L; proportional to that of 3 log.

    Not rounded; the guidance manual prints partial logs to a whole number, a half upward (``rounded_up_half``).

    Args:
        log: inactivation wanted, log10, 0 to 6.
        temperature_c: see ``ct_of_table``.
        ph: see ``ct_of_table``.
        residual_mg_l: see ``ct_of_table``.
        look: how the table is read between its cells.

    Raises:
        NotCovered: see ``ct_of_table``.
    """
    within("log inactivation", log, 0.0, MOST_LOGS, SOURCE)
    whole = ct_of_table(temperature_c=temperature_c, ph=ph, residual_mg_l=residual_mg_l, look=look)
    return whole * log / LOGS_OF_TABLE


def log_inactivation(
    ct_mg_min_l: float, *, temperature_c: float, ph: float, residual_mg_l: float, look: Look = Look.CONSERVATIVE
) -> float:
    """Log inactivation of Giardia by a CT of free chlorine: 3 x CT/CT99.9 (40 CFR 141.534), not rounded.

    Args:
        ct_mg_min_l: CT of the segment, residual at its end x T10 at peak hourly flow.
        temperature_c: see ``ct_of_table``.
        ph: see ``ct_of_table``.
        residual_mg_l: see ``ct_of_table``.
        look: how the table is read between its cells.

    Raises:
        NotCovered: see ``ct_of_table``; or a CT below 0.
    """
    not_negative("CT mg.min/L", ct_mg_min_l, SOURCE)
    whole = ct_of_table(temperature_c=temperature_c, ph=ph, residual_mg_l=residual_mg_l, look=look)
    return LOGS_OF_TABLE * ct_mg_min_l / whole
