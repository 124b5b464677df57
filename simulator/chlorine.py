"""Hypochlorite dose and the contact tank's twelve stirred cells (scenario section 4). Pure."""

from dataclasses import dataclass, replace

CELLS = 12
CONTACT_M3 = 4.50
CELL_M3 = CONTACT_M3 / CELLS
DEMAND_MG_L = 1.2  # used up at once
DECAY_PER_MIN = 0.0022  # at 10 degC, the water's temperature all month
WANTED_MG_L = 5.5
GAIN_PER_H = 0.25
LEAST_DOSE_MG_L, MOST_DOSE_MG_L, START_DOSE_MG_L = 5.0, 12.0, 8.6
START_CELLS_MG_L = 7.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Chlorine:
    """Dose and cells; the last cell is the water at the AIT-801 tap.

    Args:
        dose_mg_l: what P-801 is asked to dose, flow paced.
        cells_mg_l: total chlorine of each cell, in the order of flow.
    """

    dose_mg_l: float = START_DOSE_MG_L
    cells_mg_l: tuple[float, ...] = (START_CELLS_MG_L,) * CELLS

    @property
    def outlet_mg_l(self) -> float:
        """Residual at the tap."""
        return self.cells_mg_l[-1]


def step(chlorine: Chlorine, *, flow_m3_h: float, reading_mg_l: float, dosed_mg_l: float, dt_s: float) -> Chlorine:
    """Dose and cells after a step.

    Args:
        chlorine: before.
        flow_m3_h: through the contact tank.
        reading_mg_l: AIT-801 as the dose controller sees it.
        dosed_mg_l: dose that really arrives.
        dt_s: length of the step.
    """
    entry_mg_l = max(0.0, dosed_mg_l - DEMAND_MG_L)
    cells_mg_l = _cells_after(chlorine.cells_mg_l, entry_mg_l=entry_mg_l, flow_m3_h=flow_m3_h, dt_s=dt_s)
    return Chlorine(dose_mg_l=_dose_after(chlorine.dose_mg_l, reading_mg_l, dt_s=dt_s), cells_mg_l=cells_mg_l)


def with_outlet(chlorine: Chlorine, outlet_mg_l: float) -> Chlorine:
    """The same with another residual in the last cell: an event forces the water at the tap."""
    return replace(chlorine, cells_mg_l=(*chlorine.cells_mg_l[:-1], outlet_mg_l))


def _cells_after(
    cells_mg_l: tuple[float, ...], *, entry_mg_l: float, flow_m3_h: float, dt_s: float
) -> tuple[float, ...]:
    exchanged = flow_m3_h * dt_s / 3600 / CELL_M3
    kept = 1 - exchanged - DECAY_PER_MIN * dt_s / 60
    before = (entry_mg_l, *cells_mg_l[:-1])
    return tuple(exchanged * upstream + kept * own for upstream, own in zip(before, cells_mg_l, strict=True))


def _dose_after(dose_mg_l: float, reading_mg_l: float, *, dt_s: float) -> float:
    wanted_mg_l = dose_mg_l + GAIN_PER_H * (WANTED_MG_L - reading_mg_l) * dt_s / 3600
    return min(MOST_DOSE_MG_L, max(LEAST_DOSE_MG_L, wanted_mg_l))
