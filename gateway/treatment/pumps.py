"""Pumps that start and stop by level: cycle, starts, and the volume between the levels. Pure.

t = V/(D - Q) + V/Q, shortest where the inflow is half of what the pump
delivers, t = 4 V/D, so that V = t D/4 (MIL-HDBK-1005/9A 2.5.3.6 and US Army
Corps EI 11C201 (1997) section 7). Two pumps that alternate start half as often.
"""

import math

from gateway.treatment.refusal import NotCovered, above_zero, not_negative, within

SOURCE = "EI 11C201 (1997) section 7"
_S_PER_H = 3_600.0


def active_volume_m3(pump_m3_s: float, starts_per_h: float) -> float:
    """Volume between start and stop level that keeps a pump to so many starts, m3: V = t D/4.

    Args:
        pump_m3_s: what the pump delivers, above 0.
        starts_per_h: most starts, above 0.

    Raises:
        NotCovered: outside these ranges.
    """
    shortest_s = _S_PER_H / above_zero("starts 1/h", starts_per_h, SOURCE)
    return shortest_s * above_zero("pump m3/s", pump_m3_s, SOURCE) / 4


def cycle_s(active_m3: float, pump_m3_s: float, inflow_m3_s: float) -> float:
    """From one start to the next, s: V/(D - Q) + V/Q.

    Args:
        active_m3: volume between start and stop level, above 0.
        pump_m3_s: what the pump delivers, above the inflow.
        inflow_m3_s: above 0.

    Raises:
        NotCovered: outside these ranges; a pump that does not keep up has no cycle.
    """
    above_zero("volume m3", active_m3, SOURCE)
    above_zero("inflow m3/s", inflow_m3_s, SOURCE)
    if not pump_m3_s > inflow_m3_s:
        raise NotCovered("inflow m3/s", inflow_m3_s, f"below the pump's {pump_m3_s:g}", SOURCE)
    return active_m3 / (pump_m3_s - inflow_m3_s) + active_m3 / inflow_m3_s


def starts_per_h(active_m3: float, pump_m3_s: float, inflow_m3_s: float, pumps: float = 1.0) -> float:
    """Starts of each of the pumps that take turns, 1/h.

    Args:
        active_m3: volume between start and stop level, above 0.
        pump_m3_s: what one pump delivers, above the inflow.
        inflow_m3_s: above 0.
        pumps: how many take turns, 1 or more.

    Raises:
        NotCovered: outside these ranges.
    """
    within("pumps", pumps, 1.0, math.inf, SOURCE)
    return _S_PER_H / cycle_s(active_m3, pump_m3_s, inflow_m3_s) / pumps


def most_starts_per_h(active_m3: float, pump_m3_s: float) -> float:
    """More starts than this one pump cannot have, whatever comes in: D/(4 V), 1/h.

    A run log above it points at a leaking check valve or a level that is read wrong (inference, no source).

    Args:
        active_m3: volume between start and stop level, above 0.
        pump_m3_s: what the pump delivers, from 0.

    Raises:
        NotCovered: outside these ranges.
    """
    return _S_PER_H * not_negative("pump m3/s", pump_m3_s, SOURCE) / (4 * above_zero("volume m3", active_m3, SOURCE))
