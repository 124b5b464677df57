"""Ozone skid OZ1 and the colour of the water behind it (scenario section 4). Pure.

The dose follows the flow; how much ozone a gram of oxygen gives depends on how
pure the oxygen is. Transmittance follows the dose as fast as the contactor's
water is exchanged.
"""

from dataclasses import dataclass

DOSE_MG_L = 8.0
PURITY_PERCENT, AIR_PERCENT = 93.0, 21.0
CONTACTOR_M3 = 0.60
UVT_WITHOUT_PERCENT, UVT_PER_MG_L, UVT_MOST_PERCENT = 62.0, 1.6, 76.5
UVT_START_PERCENT = UVT_WITHOUT_PERCENT + UVT_PER_MG_L * DOSE_MG_L
OXYGEN_L_MIN = 4.20
W_PER_G_H = 18.0
SKID_STOPS_PERCENT = 50.0  # purity at which the skid itself calls it a fault; well below what event E05 reaches
FAULT_NONE, FAULT_PURITY = 0, 11


@dataclass(frozen=True, slots=True, kw_only=True)
class Ozone:
    """Skid and contactor.

    Args:
        running: the skid makes ozone.
        purity_percent: of its oxygen.
        dose_mg_l: what it puts into the water.
        production_g_h: what that takes.
        uvt_percent: transmittance of the water behind the contactor, 254 nm, 1 cm.
        run_s: running time since the start.
    """

    running: bool = True
    purity_percent: float = PURITY_PERCENT
    dose_mg_l: float = DOSE_MG_L
    production_g_h: float = 0.0
    uvt_percent: float = UVT_START_PERCENT
    run_s: float = 0.0

    @property
    def dissolved_mg_l(self) -> float:
        """Dissolved ozone behind the contactor."""
        return max(0.02, 0.25 * (self.dose_mg_l - 6.5) / 1.5)

    @property
    def oxygen_l_min(self) -> float:
        """Oxygen flow."""
        return OXYGEN_L_MIN * self.running

    @property
    def power_w(self) -> float:
        """Of the generator."""
        return W_PER_G_H * self.production_g_h

    @property
    def fault_code(self) -> int:
        """OZ1-FLT: what the skid itself complains of."""
        return FAULT_PURITY if self.purity_percent < SKID_STOPS_PERCENT else FAULT_NONE


def oxygen_factor(purity_percent: float) -> float:
    """Share of the wanted ozone that oxygen of this purity gives."""
    share = 0.1 + 0.9 * (purity_percent - AIR_PERCENT) / (PURITY_PERCENT - AIR_PERCENT)
    return min(1.0, max(0.1, share))


def step(ozone: Ozone, *, flow_m3_h: float, on: bool, purity_percent: float | None, dt_s: float) -> Ozone:
    """Skid and contactor after a step.

    Args:
        ozone: before.
        flow_m3_h: water through the contactor.
        on: has power, and nobody switched it off.
        purity_percent: of the oxygen; None is what the concentrator makes.
        dt_s: length of the step.
    """
    purity = PURITY_PERCENT if purity_percent is None else purity_percent
    dose_mg_l = DOSE_MG_L * oxygen_factor(purity) if on else 0.0
    target_percent = min(UVT_MOST_PERCENT, UVT_WITHOUT_PERCENT + UVT_PER_MG_L * dose_mg_l)
    exchanged = min(1.0, flow_m3_h * dt_s / 3600 / CONTACTOR_M3)
    return Ozone(
        running=on,
        purity_percent=purity,
        dose_mg_l=dose_mg_l,
        production_g_h=dose_mg_l * flow_m3_h,
        uvt_percent=ozone.uvt_percent + (target_percent - ozone.uvt_percent) * exchanged,
        run_s=ozone.run_s + dt_s * on,
    )
