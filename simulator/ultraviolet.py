"""UV reactor UV-701: ageing lamps, intensity and dose (scenario section 4, event E04). Pure."""

import math
from dataclasses import dataclass

from simulator.almanac import DAY_MS, local_ms

LAMPS_FIRST_MS = local_ms("2025-02-01 00:00")
LAMP_FACTOR_FIRST, LAMP_FACTOR_PER_DAY = 0.86, 0.004
INTENSITY_W_M2, INTENSITY_PER_PERCENT = 118.0, 0.02
DOSE_MJ_CM2, DOSE_PER_PERCENT = 128.0, 0.055
UVT_REFERENCE_PERCENT, FLOW_REFERENCE_M3_H = 74.0, 2.0
DOSE_SHOWN_MOST = 999.9  # hardly any flow: the formula runs away
LEAST_FLOW_M3_H = 0.01
STARTS_FIRST = 412


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamps:
    """The reactor's lamps.

    Args:
        lit: they burn.
        starts: since they were new.
    """

    lit: bool = True
    starts: int = STARTS_FIRST


def step(lamps: Lamps, *, power: bool) -> Lamps:
    """The lamps after a step: they burn while there is power, and every return of it is a start."""
    return lamps if power == lamps.lit else Lamps(lit=power, starts=lamps.starts + power)


def lamp_factor(at_ms: int) -> float:
    """What age has left of the lamps' light, at a local plant time."""
    return LAMP_FACTOR_FIRST - LAMP_FACTOR_PER_DAY * (at_ms - LAMPS_FIRST_MS) / DAY_MS


def intensity_w_m2(lamps: Lamps, *, at_ms: int, uvt_percent: float) -> float:
    """What the sensor in the reactor sees."""
    light = INTENSITY_W_M2 * lamp_factor(at_ms) * lamps.lit
    return light * math.exp(INTENSITY_PER_PERCENT * (uvt_percent - UVT_REFERENCE_PERCENT))


def dose_mj_cm2(lamps: Lamps, *, at_ms: int, uvt_percent: float, flow_m3_h: float) -> float:
    """What the water gets; at hardly any flow the highest figure the panel can show."""
    if not lamps.lit:
        return 0.0
    at_reference = DOSE_MJ_CM2 * lamp_factor(at_ms) * math.exp(DOSE_PER_PERCENT * (uvt_percent - UVT_REFERENCE_PERCENT))
    return min(DOSE_SHOWN_MOST, at_reference * FLOW_REFERENCE_M3_H / max(flow_m3_h, LEAST_FLOW_M3_H))
