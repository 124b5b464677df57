"""Sump, buffer, emergency tank and recycled-water tank: levels by balance (scenario section 3). Pure."""

import random
from dataclasses import dataclass, field

from simulator import grinders
from simulator.grinders import HIGH_FLOAT_M, P_101A, P_101B, Grinder
from simulator.wide_records import renewed

SUMP_M2 = 1.2
SUMP_OVERFLOW_M = 1.90
GRINDER_SPREAD = 0.03
EQ_M3, EHT_M3, RWT_M3 = 55.0, 40.0, 30.0
MAKEUP_M3_H = 3.0
MAKEUP_OPENS, MAKEUP_CLOSES = 0.20, 0.30  # of RWT
RWT_DECAY_PER_MIN = 0.0004


@dataclass(frozen=True, slots=True, kw_only=True)
class Sump:
    """SUMP 101 with its two grinders.

    Args:
        level_m: level.
        first, second: P-101A and P-101B.
        pumped_m3_h: what they lift; spilled_m3_h: what runs over into the emergency tank.
    """

    level_m: float = 0.6
    first: Grinder = field(default_factory=lambda: grinders.new(P_101A))
    second: Grinder = field(default_factory=lambda: grinders.new(P_101B))
    pumped_m3_h: float = 0.0
    spilled_m3_h: float = 0.0

    @property
    def high_float(self) -> bool:
        """The float at the high level has lifted."""
        return self.level_m >= HIGH_FLOAT_M


def step_sump(
    sump: Sump,
    *,
    inflow_m3_h: float,
    mains: bool,
    clogged: frozenset[str],
    lag_forced: bool,
    dt_s: float,
    draws: random.Random,
) -> Sump:
    """Sump after a step.

    Args:
        sump: before.
        inflow_m3_h: from the lodges.
        mains: without them the grinders stand and it fills.
        clogged: grinders with something stuck in them.
        lag_forced: PC1 wants P-101B on (I-15).
        dt_s: length of the step.
        draws: seeded.
    """

    def stepped(one: Grinder, *, forced: bool) -> Grinder:
        return grinders.step(
            one, level_m=sump.level_m, power=mains, clogged=one.name in clogged, forced=forced, dt_s=dt_s
        )

    first, second = stepped(sump.first, forced=False), stepped(sump.second, forced=lag_forced)
    spread = 1 + GRINDER_SPREAD * draws.gauss(0.0, 1.0)
    available_m3_h = sump.level_m * SUMP_M2 * 3600 / dt_s + inflow_m3_h
    pumped_m3_h = min((first.lift_m3_h + second.lift_m3_h) * spread, available_m3_h)
    level_m = sump.level_m + (inflow_m3_h - pumped_m3_h) * dt_s / 3600 / SUMP_M2
    over_m = max(0.0, level_m - SUMP_OVERFLOW_M)
    return Sump(
        level_m=level_m - over_m,
        first=first,
        second=second,
        pumped_m3_h=pumped_m3_h,
        spilled_m3_h=over_m * SUMP_M2 * 3600 / dt_s,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Buffers:
    """EQ 151 and the emergency tank EHT 161 that takes what runs over.

    Args:
        eq_m3, eht_m3: contents; spilled_m3: lost over the emergency tank's rim since the start.
    """

    eq_m3: float = 12.0
    eht_m3: float = 0.0
    spilled_m3: float = 0.0


def step_buffers(buffers: Buffers, *, sump: Sump, feed_m3_h: float, returned_m3_h: float, dt_s: float) -> Buffers:
    """EQ and EHT after a step.

    Args:
        buffers: before.
        sump: what comes from it.
        feed_m3_h: drawn by P-201.
        returned_m3_h: filter-to-waste and spent wash water.
        dt_s: length of the step.
    """
    hours = dt_s / 3600
    eq_m3 = max(0.0, buffers.eq_m3 + (sump.pumped_m3_h + returned_m3_h - feed_m3_h) * hours)
    over_m3 = max(0.0, eq_m3 - EQ_M3)
    eht_m3 = buffers.eht_m3 + over_m3 + sump.spilled_m3_h * hours
    lost_m3 = max(0.0, eht_m3 - EHT_M3)
    return Buffers(eq_m3=eq_m3 - over_m3, eht_m3=eht_m3 - lost_m3, spilled_m3=buffers.spilled_m3 + lost_m3)


@dataclass(frozen=True, kw_only=True)
class RecycledTank:
    """RWT 901.

    Args:
        volume_m3: contents; residual_mg_l: total chlorine, mixed.
        makeup_m3_h: potable water falling in through the air gap.
        delivered_m3_h: to the toilets.
    """

    volume_m3: float = 20.0
    residual_mg_l: float = 3.0
    makeup_m3_h: float = 0.0
    delivered_m3_h: float = 0.0

    @property
    def share(self) -> float:
        """Level as a share of the tank."""
        return self.volume_m3 / RWT_M3


def step_tank(
    tank: RecycledTank,
    *,
    product_m3: float,
    product_mg_l: float,
    wanted_m3_h: float,
    wash_m3_h: float,
    dt_s: float,
) -> RecycledTank:
    """The tank after a step.

    Args:
        tank: before.
        product_m3: recycled water that came in during the step.
        product_mg_l: its chlorine.
        wanted_m3_h: what the lodges draw, as far as the supply is open.
        wash_m3_h: filter wash water drawn.
        dt_s: length of the step.
    """
    hours = dt_s / 3600
    makeup_m3_h = _makeup_m3_h(tank)
    delivered_m3_h = min(wanted_m3_h, tank.volume_m3 / hours)
    entered_m3 = product_m3 + makeup_m3_h * hours
    kept_m3 = max(0.0, tank.volume_m3 - (delivered_m3_h + wash_m3_h) * hours)
    mixed_mg_l = (tank.residual_mg_l * kept_m3 + product_mg_l * product_m3) / max(kept_m3 + entered_m3, 1e-9)
    return renewed(
        tank,
        volume_m3=min(RWT_M3, kept_m3 + entered_m3),
        residual_mg_l=mixed_mg_l * (1 - RWT_DECAY_PER_MIN * dt_s / 60),
        makeup_m3_h=makeup_m3_h,
        delivered_m3_h=delivered_m3_h,
    )


def _makeup_m3_h(tank: RecycledTank) -> float:
    """Opens below 20 %, stays open until above 30 %."""
    stays = tank.makeup_m3_h > 0 and tank.share <= MAKEUP_CLOSES
    return MAKEUP_M3_H if stays or tank.share < MAKEUP_OPENS else 0.0
