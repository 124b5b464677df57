"""Mains, the UPS behind it, and what the site draws (scenario sections 6 and 8, event E09). Pure."""

from dataclasses import dataclass

MAINS_V = 231.0
UPS_LASTS_S = 90 * 60.0
UPS_CHARGES_S = 5 * 3600.0
ENERGY_FIRST_KWH = 48_210.0
ALWAYS_KW, BLOWER_KW, GRINDER_KW, FEED_KW_PER_M3_H, LAMPS_KW, SUPPLY_KW = 2.3, 2.1, 0.9, 0.25, 0.7, 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """Power of the site.

    Args:
        mains: present.
        ups_share: charge of the UPS, 0 to 1.
        drawn_kw: from the mains; energy_kwh: the meter.
    """

    mains: bool = True
    ups_share: float = 1.0
    drawn_kw: float = 6.5
    energy_kwh: float = ENERGY_FIRST_KWH

    @property
    def dead(self) -> bool:
        """Not even the UPS gives anything."""
        return not self.mains and self.ups_share <= 0

    @property
    def ups_left_min(self) -> float:
        """How long the UPS would last."""
        return self.ups_share * UPS_LASTS_S / 60


def step(supply: Supply, *, mains: bool, wanted_kw: float, dt_s: float) -> Supply:
    """Power after a step: the UPS empties and fills on a straight line."""
    by_share = dt_s / UPS_CHARGES_S if mains else -dt_s / UPS_LASTS_S
    drawn_kw = wanted_kw if mains else 0.0
    return Supply(
        mains=mains,
        ups_share=min(1.0, max(0.0, supply.ups_share + by_share)),
        drawn_kw=drawn_kw,
        energy_kwh=supply.energy_kwh + drawn_kw * dt_s / 3600,
    )


def wanted_kw(*, grinders: int, feed_m3_h: float, ozone_kw: float, supplying: bool) -> float:
    """What the site draws with this running."""
    pumps_kw = GRINDER_KW * grinders + FEED_KW_PER_M3_H * feed_m3_h + SUPPLY_KW * supplying
    return ALWAYS_KW + BLOWER_KW + LAMPS_KW + ozone_kw + pumps_kw
