"""The two pressure filters: what comes out of them, and where it goes (scenario section 4). Pure.

Each filter ripens after a backwash, loads up, and is washed once a day or at
a high differential pressure; then it runs to waste until its water is clear
(I-12, local). One is washed at a time. Whether its water joins the product is
decided here; what that does further on is not.
"""

import math
from dataclasses import dataclass

from simulator.almanac import DAY_MS, HOUR_MS
from simulator.wide_records import renewed

PASSING = 0.22  # share of the influent turbidity that passes a ripe filter
RIPENING_NTU, RIPENING_M3 = 4.0, 0.25
SOAKED_NTU, SOAKED_M3 = 24.0, 0.5  # event E01: media soak
BREAKTHROUGH_NTU_PER_BAR, BREAKTHROUGH_BAR = 6.0, 0.70
BAR_PER_M3_H, BAR_PER_LOAD = 0.10, 0.0105
LOAD_PER_NTU = 0.9
WASH_BAR = 0.60
WASH_S = 900.0
WASH_M3 = 1.6
WASTE_M3, WASTE_NTU, WASTE_CLEAR_S = 0.6, 1.5, 300.0
WASH_HOURS = {"F-501": 3, "F-502": 4}

SERVICE, BACKWASH, TO_WASTE, OFF = 0, 1, 2, 3  # as PC1 shows them


@dataclass(frozen=True, kw_only=True)
class Filter:
    """One filter.

    Args:
        name: F-501 or F-502.
        mode: 0 service, 1 backwash, 2 to-waste, 3 off.
        volume_m3: filtered since the last wash (v).
        load: captured since then (m).
        effluent_ntu: turbidity of its water.
        pressure_bar: differential pressure.
        wash_due: the day's wash has not begun yet.
        mode_s: time in this mode; clear_s: how long its water to waste has been clear.
        soaked: event E01: media soaked, and the waste valve does not open.
    """

    name: str
    mode: int = SERVICE
    volume_m3: float
    load: float
    effluent_ntu: float = 0.71
    pressure_bar: float = 0.1
    wash_due: bool = False
    mode_s: float = 0.0
    clear_s: float = 0.0
    soaked: bool = False

    @property
    def takes_feed(self) -> bool:
        """Water goes through it, to wherever."""
        return self.mode in (SERVICE, TO_WASTE)

    @property
    def joins(self) -> bool:
        """Its water joins the product: in service, or because the waste valve failed shut-off."""
        return self.mode == SERVICE or (self.mode == TO_WASTE and self.soaked)


def ripe(name: str, *, at_ms: int, flow_m3_h: float) -> Filter:
    """A filter in service that has run steadily since its last daily wash."""
    hours = (at_ms % DAY_MS / HOUR_MS - WASH_HOURS[name]) % 24
    half_m3_h = flow_m3_h / 2
    volume_m3 = max(1.0, half_m3_h * hours)
    return Filter(name=name, volume_m3=volume_m3, load=LOAD_PER_NTU * volume_m3 * 3.2 * (1 - PASSING))


def step(
    one: Filter, other: Filter, *, at_ms: int, dt_s: float, flow_m3_h: float, influent_ntu: float, soaked: bool
) -> Filter:
    """The filter after a step.

    Args:
        one: this filter.
        other: the one beside it, which must be in service before this one may be washed.
        at_ms: local plant time at the start of the step.
        dt_s: its length.
        flow_m3_h: what this filter takes.
        influent_ntu: turbidity of it.
        soaked: event E01 has struck this filter.
    """
    begun = _strike(one) if soaked and not one.soaked else one
    due = renewed(begun, wash_due=True) if _wash_hour_passed(one.name, at_ms=at_ms, dt_s=dt_s) else begun
    return _run(_turn(due, other), dt_s=dt_s, flow_m3_h=flow_m3_h, influent_ntu=influent_ntu)


def _strike(one: Filter) -> Filter:
    """Media soak: ripening starts again at six times its height, and to waste is where the water should go."""
    return renewed(one, soaked=True, volume_m3=0.0, mode=TO_WASTE, mode_s=0.0, clear_s=0.0)


def _wash_hour_passed(name: str, *, at_ms: int, dt_s: float) -> bool:
    into_ms = (at_ms - WASH_HOURS[name] * HOUR_MS) % DAY_MS
    return into_ms < dt_s * 1_000


def _turn(one: Filter, other: Filter) -> Filter:
    """Change of mode, if it is time."""
    wants_wash = one.wash_due or one.pressure_bar > WASH_BAR
    if one.mode == SERVICE and wants_wash and other.mode == SERVICE:
        return renewed(one, mode=BACKWASH, mode_s=0.0, wash_due=False)
    if one.mode == BACKWASH and one.mode_s >= WASH_S:
        return renewed(one, mode=TO_WASTE, mode_s=0.0, clear_s=0.0, volume_m3=0.0, load=0.0, soaked=False)
    if one.mode == TO_WASTE and one.volume_m3 > WASTE_M3 and one.clear_s >= WASTE_CLEAR_S:
        return renewed(one, mode=SERVICE, mode_s=0.0)
    return one


def _run(one: Filter, *, dt_s: float, flow_m3_h: float, influent_ntu: float) -> Filter:
    if not one.takes_feed:
        return renewed(one, mode_s=one.mode_s + dt_s, pressure_bar=0.0)
    passed_m3 = flow_m3_h * dt_s / 3600
    volume_m3 = one.volume_m3 + passed_m3
    pressure_bar = BAR_PER_M3_H * flow_m3_h + BAR_PER_LOAD * one.load
    effluent_ntu = PASSING * influent_ntu + _ripening_ntu(one, volume_m3) + _breakthrough_ntu(pressure_bar)
    clear = one.mode == TO_WASTE and effluent_ntu < WASTE_NTU
    return renewed(
        one,
        volume_m3=volume_m3,
        load=one.load + LOAD_PER_NTU * passed_m3 * max(0.0, influent_ntu - effluent_ntu),
        effluent_ntu=effluent_ntu,
        pressure_bar=pressure_bar,
        mode_s=one.mode_s + dt_s,
        clear_s=one.clear_s + dt_s if clear else 0.0,
    )


def _ripening_ntu(one: Filter, volume_m3: float) -> float:
    height_ntu, memory_m3 = (SOAKED_NTU, SOAKED_M3) if one.soaked else (RIPENING_NTU, RIPENING_M3)
    return height_ntu * math.exp(-volume_m3 / memory_m3)


def _breakthrough_ntu(pressure_bar: float) -> float:
    return BREAKTHROUGH_NTU_PER_BAR * max(0.0, pressure_bar - BREAKTHROUGH_BAR)
