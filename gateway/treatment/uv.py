"""Ultraviolet dose of a reactor from what its sensors show. Pure.

A reactor is validated at one point: so much dose, with new lamps, at one
transmittance and one flow. From there the dose falls with the age of the
lamps, with transmittance (exponentially), and in inverse proportion to flow.
Transmittance is in per cent of 1 cm at 254 nm.
"""

import math
from dataclasses import dataclass

from gateway.treatment.refusal import above_zero, not_negative, within

SOURCE = "the reactor's validation"


@dataclass(frozen=True, slots=True, kw_only=True)
class Validated:
    """The point at which a reactor is validated.

    Args:
        dose_j_m2: with new lamps.
        transmittance_percent: of the water.
        flow_m3_s: through the reactor.
        slope_per_percent: growth of the dose with transmittance around that point.
    """

    dose_j_m2: float
    transmittance_percent: float
    flow_m3_s: float
    slope_per_percent: float


def lamp_factor(
    intensity_w_m2: float,
    new_intensity_w_m2: float,
    transmittance_percent: float,
    reference_percent: float,
    slope_per_percent: float,
) -> float:
    """Output of the lamps and cleanness of their sleeves: 1 when both are new.

    Args:
        intensity_w_m2: at the sensor now, from 0.
        new_intensity_w_m2: at the sensor with new lamps at the reference transmittance.
        transmittance_percent: of the water now.
        reference_percent: transmittance of the validation.
        slope_per_percent: growth of the sensor's reading with transmittance.

    Raises:
        NotCovered: an intensity below 0, no intensity of new lamps, or a transmittance that is none.
    """
    not_negative("intensity W/m2", intensity_w_m2, SOURCE)
    above_zero("intensity of new lamps W/m2", new_intensity_w_m2, SOURCE)
    within("UVT %", transmittance_percent, 0.0, 100.0, SOURCE)
    expected = new_intensity_w_m2 * math.exp(slope_per_percent * (transmittance_percent - reference_percent))
    return intensity_w_m2 / expected


def uv_dose_j_m2(at: Validated, lamps: float, transmittance_percent: float, flow_m3_s: float) -> float:
    """Dose the water gets.

    Args:
        at: the validated point.
        lamps: from ``lamp_factor``.
        transmittance_percent: of the water now.
        flow_m3_s: now, above 0.

    Raises:
        NotCovered: a transmittance that is none, a lamp factor below 0, or no flow, which has no dose of any meaning.
    """
    within("UVT %", transmittance_percent, 0.0, 100.0, SOURCE)
    not_negative("lamp factor", lamps, SOURCE)
    above_zero("flow m3/s", flow_m3_s, SOURCE)
    by_transmittance = math.exp(at.slope_per_percent * (transmittance_percent - at.transmittance_percent))
    return at.dose_j_m2 * lamps * by_transmittance * at.flow_m3_s / flow_m3_s
