"""Log credit of a validated ultraviolet dose, and of a reactor that keeps to its set-point. Pure.

40 CFR 141.720(d)(1): doses are validated ones of a 254 nm low-pressure lamp
after filtration. The largest printed credit whose dose is met counts, none
above 4. A collimated beam's dose is intensity x time; a reactor's comes from
its validation, never from one sensor times volume over flow.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gateway.treatment.limits import reaches
from gateway.treatment.published_tables import chosen, place_at_or_above
from gateway.treatment.refusal import above_zero, not_negative, within

SOURCE = "40 CFR 141.720(d)(1)"
MONTH_SOURCE = "40 CFR 141.720(d)(3)(ii)"
VALIDATION_SOURCE = "EPA UV Disinfection Guidance Manual (2006), from memory"
CREDITS = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0)
LEAST_SHARE_INSIDE = 0.95
"""Of the volume of a month, inside validated conditions."""

DOSES_MJ_CM2: Mapping[str, Sequence[float]] = {
    "cryptosporidium": (1.6, 2.5, 3.9, 5.8, 8.5, 12, 15, 22),
    "giardia": (1.5, 2.1, 3.0, 5.2, 7.7, 11, 15, 22),
    "virus": (39, 58, 79, 100, 121, 143, 163, 186),
}
"""By credit. From memory and in no table at hand: Cryptosporidium at 1.5, 2.5 and 3.5; Giardia at 0.5, 2 and 3.5;
virus at 1.5 and 2.5."""


def required_dose(target: str, log: float) -> float:
    """Validated dose for a log credit, mJ/cm2, of the next higher printed credit.

    Args:
        target: ``cryptosporidium``, ``giardia`` or ``virus``.
        log: credit wanted, log10, 0 to 4.

    Raises:
        NotCovered: another target or more credit than 4.
    """
    doses = chosen("target", target, DOSES_MJ_CM2, SOURCE)
    within("log credit", log, 0.0, CREDITS[-1], SOURCE)
    return doses[place_at_or_above(CREDITS, log)] if log > 0 else 0.0


def log_credit(target: str, validated_dose_mj_cm2: float) -> float:
    """The largest printed credit whose dose is met, 0 to 4 in halves.

    Args:
        target: ``cryptosporidium``, ``giardia`` or ``virus``.
        validated_dose_mj_cm2: from ``validated_dose``, from 0.

    Raises:
        NotCovered: another target, or a dose below 0.
    """
    doses = chosen("target", target, DOSES_MJ_CM2, SOURCE)
    not_negative("dose mJ/cm2", validated_dose_mj_cm2, SOURCE)
    met = [credit for credit, dose in zip(CREDITS, doses, strict=True) if reaches(validated_dose_mj_cm2, dose)]
    return max(met, default=0.0)


def validated_dose(red_mj_cm2: float, bias: float, uncertainty_percent: float) -> float:
    """Validated dose, mJ/cm2: reduction equivalent dose over the validation factor, B x (1 + U/100).

    Args:
        red_mj_cm2: reduction equivalent dose of the reactor, from 0.
        bias: RED bias, 1 or more.
        uncertainty_percent: of the validation, from 0.

    Raises:
        NotCovered: outside these ranges.
    """
    not_negative("RED mJ/cm2", red_mj_cm2, VALIDATION_SOURCE)
    within("RED bias", bias, 1.0, math.inf, VALIDATION_SOURCE)
    not_negative("uncertainty %", uncertainty_percent, VALIDATION_SOURCE)
    return red_mj_cm2 / (bias * (1 + uncertainty_percent / 100))


@dataclass(frozen=True, slots=True, kw_only=True)
class SetPoint:
    """What a reactor was validated for by the set-point approach: one intensity that must be held up to one flow.

    Args:
        intensity_w_m2: least at the sensor.
        flow_m3_s: most through the reactor.
        dose_mj_cm2: validated dose while both are kept.
    """

    intensity_w_m2: float
    flow_m3_s: float
    dose_mj_cm2: float


def dose_by_set_point(at: SetPoint, intensity_w_m2: float, flow_m3_s: float, *, lamps_on: bool = True) -> float:
    """The validated dose while the reactor keeps to its set-point, mJ/cm2, and 0 while it does not.

    Outside its envelope a barrier gives no credit, not a part of it.

    Args:
        at: the set-point.
        intensity_w_m2: at the duty sensor now, from 0.
        flow_m3_s: now, from 0.
        lamps_on: every lamp of the bank.

    Raises:
        NotCovered: a figure below 0.
    """
    not_negative("intensity W/m2", intensity_w_m2, SOURCE)
    not_negative("flow m3/s", flow_m3_s, SOURCE)
    kept = lamps_on and reaches(intensity_w_m2, at.intensity_w_m2) and reaches(at.flow_m3_s, flow_m3_s)
    return at.dose_mj_cm2 if kept else 0.0


def collimated_dose(intensity_mw_cm2: float, absorbance_per_cm: float, depth_cm: float, lasting_s: float) -> float:
    """Dose of a collimated beam in the laboratory, mJ/cm2: mean intensity over the depth x time.

    Args:
        intensity_mw_cm2: at the surface, from 0.
        absorbance_per_cm: at 254 nm, from 0.
        depth_cm: of the sample, above 0.
        lasting_s: exposure, from 0.

    Raises:
        NotCovered: outside these ranges.
    """
    not_negative("intensity mW/cm2", intensity_mw_cm2, VALIDATION_SOURCE)
    not_negative("exposure s", lasting_s, VALIDATION_SOURCE)
    return intensity_mw_cm2 * mean_over_depth(absorbance_per_cm, depth_cm) * lasting_s


def mean_over_depth(absorbance_per_cm: float, depth_cm: float) -> float:
    """Mean intensity over surface intensity in a collimated beam: (1 - 10^(-A l)) / (A l ln 10); 1 in clear water.

    Args:
        absorbance_per_cm: at 254 nm, from 0.
        depth_cm: of the sample, above 0.

    Raises:
        NotCovered: outside these ranges.
    """
    not_negative("A254 1/cm", absorbance_per_cm, VALIDATION_SOURCE)
    exponent = absorbance_per_cm * above_zero("depth cm", depth_cm, VALIDATION_SOURCE) * math.log(10)
    return -math.expm1(-exponent) / exponent if exponent > 0 else 1.0


def share_inside(inside_m3: float, outside_m3: float) -> float:
    """Share of the volume treated inside validated conditions, 0 to 1; not rounded, 94.994 % is no 95 %.

    Args:
        inside_m3: volume of the month inside, from 0.
        outside_m3: volume of the month outside, from 0.

    Raises:
        NotCovered: a volume below 0, or none at all.
    """
    not_negative("volume inside m3", inside_m3, MONTH_SOURCE)
    not_negative("volume outside m3", outside_m3, MONTH_SOURCE)
    return inside_m3 / above_zero("volume m3", inside_m3 + outside_m3, MONTH_SOURCE)
