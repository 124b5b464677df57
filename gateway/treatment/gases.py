"""Gases that people breathe: time-weighted means, the lower explosive limit, the air of a confined space. Pure.

29 CFR 1910.1000(d)(1) (from memory) and 29 CFR 1910.146(b). Limits of the
single gases are data, and are not here.
"""

import math
from collections.abc import Iterable

from gateway.treatment.limits import exceeds
from gateway.treatment.refusal import above_zero, not_negative, within

TWA_SOURCE = "29 CFR 1910.1000(d)(1)"
SPACE_SOURCE = "29 CFR 1910.146(b)"
SHIFT_H = 8.0
OXYGEN_LEAST_PERCENT = 19.5
OXYGEN_MOST_PERCENT = 23.5
FLAMMABLE_MOST_PERCENT_LFL = 10.0
PPM_PER_PERCENT = 10_000.0
_DAY_H = 24.0


def time_weighted_ppm(segments: Iterable[tuple[float, float]]) -> float:
    """Eight-hour time-weighted mean, ppm: the sum of C x T over 8, whatever the length of the shift.

    Args:
        segments: hours (24 in all at most) and ppm of each part of the shift, from 0.

    Raises:
        NotCovered: outside these ranges.
    """
    parts = [
        (not_negative("hours", hours, TWA_SOURCE), not_negative("ppm", ppm, TWA_SOURCE)) for hours, ppm in segments
    ]
    within("hours", math.fsum(hours for hours, _ in parts), 0.0, _DAY_H, TWA_SOURCE)
    return math.fsum(hours * ppm for hours, ppm in parts) / SHIFT_H


def percent_lel(percent_vol: float, lel_percent_vol: float) -> float:
    """Share of the lower explosive limit, %; the scale must say which limit it uses (methane: 5.0 or 4.4 % vol).

    Args:
        percent_vol: of the gas in air, 0 to 100.
        lel_percent_vol: its lower explosive limit, above 0.

    Raises:
        NotCovered: outside these ranges.
    """
    within("gas % vol", percent_vol, 0.0, 100.0, SPACE_SOURCE)
    return 100.0 * percent_vol / above_zero("LEL % vol", lel_percent_vol, SPACE_SOURCE)


def oxygen_hazardous(oxygen_percent: float) -> bool:
    """Whether the air of a confined space has too little or too much oxygen: below 19.5 or above 23.5 % vol.

    Args:
        oxygen_percent: % vol, 0 to 100.

    Raises:
        NotCovered: outside.
    """
    within("oxygen % vol", oxygen_percent, 0.0, 100.0, SPACE_SOURCE)
    return exceeds(OXYGEN_LEAST_PERCENT, oxygen_percent) or exceeds(oxygen_percent, OXYGEN_MOST_PERCENT)


def flammable_hazardous(lel_percent: float) -> bool:
    """Whether a flammable gas makes the air of a confined space hazardous: in excess of 10 % of its limit.

    Args:
        lel_percent: % of the lower flammable limit, from 0.

    Raises:
        NotCovered: below 0.
    """
    return exceeds(not_negative("% LEL", lel_percent, SPACE_SOURCE), FLAMMABLE_MOST_PERCENT_LFL)
