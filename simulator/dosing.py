"""Hypochlorite pump P-801 and its stock (scenario sections 4 and 6). Pure.

Turns the dose that the dose controller asks for into millilitres an hour, and
those into strokes and stock. What chlorine does in the water is decided in
``chlorine``.
"""

from dataclasses import dataclass

HYPO_G_ML = 0.125
STROKE_ML = 0.1
TANK_L, STOCK_FIRST_L = 200.0, 124.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dosing:
    """Pump and stock.

    Args:
        setpoint_ml_h: FSP-801; delivered_ml_h: FI-801.
        manual: somebody left it in manual: it no longer follows.
        strokes: since it was new, with the part of one that is under way.
        stock_l: left in the tank.
    """

    setpoint_ml_h: float = 0.0
    delivered_ml_h: float = 0.0
    manual: bool = False
    strokes: float = 1_204_300.0
    stock_l: float = STOCK_FIRST_L

    @property
    def stock_percent(self) -> float:
        """LIT-810."""
        return self.stock_l / TANK_L * 100

    def delivered_mg_l(self, flow_m3_h: float) -> float:
        """Dose that arrives in so much water."""
        return self.delivered_ml_h * HYPO_G_ML / flow_m3_h if flow_m3_h > 0 else 0.0


def started(*, wanted_mg_l: float, flow_m3_h: float) -> Dosing:
    """A pump that has been following this dose and flow."""
    running_ml_h = wanted_mg_l * flow_m3_h / HYPO_G_ML
    return Dosing(setpoint_ml_h=running_ml_h, delivered_ml_h=running_ml_h)


def step(
    dosing: Dosing, *, wanted_mg_l: float, flow_m3_h: float, power: bool, gas_locked: bool, manual: bool, dt_s: float
) -> Dosing:
    """Pump and stock after a step.

    Args:
        dosing: before.
        wanted_mg_l: dose asked for, flow paced; in manual the last set point stays.
        flow_m3_h: water to be dosed.
        power: the pump has any.
        gas_locked: it strokes and delivers nothing.
        manual: it stands in manual.
        dt_s: length of the step.
    """
    setpoint_ml_h = dosing.setpoint_ml_h if manual and dosing.manual else wanted_mg_l * flow_m3_h / HYPO_G_ML
    stroking_ml_h = setpoint_ml_h * power
    delivered_ml_h = 0.0 if gas_locked or dosing.stock_l <= 0 else stroking_ml_h
    return Dosing(
        setpoint_ml_h=setpoint_ml_h,
        delivered_ml_h=delivered_ml_h,
        manual=manual,
        strokes=dosing.strokes + stroking_ml_h * dt_s / 3600 / STROKE_ML,
        stock_l=max(0.0, dosing.stock_l - delivered_ml_h * dt_s / 3_600_000),
    )
