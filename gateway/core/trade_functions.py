"""The functions of the trade that a formula may call by name: words and units of their arguments, unit of the result.

The arithmetic is ``gateway.treatment``'s, in the units of its tables; here
values come and go in coherent units. Where a publication does not cover what
is given, it refuses, and the tag that calls it is bad.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from gateway.core.function import Function, of_units
from gateway.core.units import parse_unit
from gateway.treatment import (
    chloramine,
    filters,
    gases,
    giardia_by_chlorine,
    giardia_regressions,
    ozone,
    pumps,
    storage,
    uv_credit,
    virus_by_chlorine,
    water_chemistry,
)
from gateway.treatment.contact_time import contact_time_s
from gateway.treatment.uv import Validated, lamp_factor, uv_dose_j_m2
from gateway.treatment.uv_credit import SetPoint

LOG, PH, WARMTH, CT = ("log", ""), ("ph", "pH"), ("temperature", "degC"), ("ct", "mg.min/L")
CHLORINE = ("free_chlorine", "mg/L")

Compute = Callable[[Sequence[float]], float]


class _ByWarmth(Protocol):
    def __call__(self, target: str, amount: float, /, *, temperature_c: float) -> float: ...


class _OfChlorine(Protocol):
    def __call__(self, amount: float, /, *, temperature_c: float, ph: float, residual_mg_l: float) -> float: ...


def _trade(compute: Compute, *parameters: tuple[str, str], result: str) -> Function:
    """A function of arguments in these units, each with its word, that gives a result in its own unit."""
    units = [unit for _, unit in parameters]
    factors = [parse_unit(unit).factor for unit in units]
    out = parse_unit(result).factor

    def coherent(given: Sequence[float]) -> float:
        return compute([value / factor for value, factor in zip(given, factors, strict=True)]) * out

    return Function(
        parameters=", ".join(word for word, _ in parameters),
        least=len(parameters),
        most=len(parameters),
        dimension=of_units(*units, result=result),
        compute=coherent,
    )


def _uv_dose(given: Sequence[float]) -> float:
    dose_j_m2, lamps, now_percent, reference_percent, slope_per_percent, rated_m3_s, flow_m3_s = given
    at = Validated(
        dose_j_m2=dose_j_m2,
        transmittance_percent=reference_percent,
        flow_m3_s=rated_m3_s,
        slope_per_percent=slope_per_percent,
    )
    return uv_dose_j_m2(at, lamps, now_percent, flow_m3_s)


def _set_point_dose(given: Sequence[float]) -> float:
    dose_mj_cm2, intensity_w_m2, least_w_m2, flow_m3_s, most_m3_s = given
    at = SetPoint(intensity_w_m2=least_w_m2, flow_m3_s=most_m3_s, dose_mj_cm2=dose_mj_cm2)
    return uv_credit.dose_by_set_point(at, intensity_w_m2, flow_m3_s)


def _ct_by(table: _ByWarmth, target: str) -> Function:
    """CT that a table by log and temperature asks for."""
    return _trade(lambda given: table(target, given[0], temperature_c=given[1]), LOG, WARMTH, result="mg.min/L")


def _log_by(table: _ByWarmth, target: str) -> Function:
    """Log credit of a CT by a table of temperatures."""
    return _trade(lambda given: table(target, given[0], temperature_c=given[1]), CT, WARMTH, result="")


def _giardia(work: _OfChlorine, first: tuple[str, str], result: str) -> Function:
    """Giardia by free chlorine: from log or CT, residual, pH and temperature."""
    return _trade(
        lambda given: work(given[0], residual_mg_l=given[1], ph=given[2], temperature_c=given[3]),
        first,
        CHLORINE,
        PH,
        WARMTH,
        result=result,
    )


TRADE_FUNCTIONS: Mapping[str, Function] = {
    # contact
    "contact_time": _trade(
        lambda given: contact_time_s(*given), ("volume", "m3"), ("baffling_factor", ""), ("flow", "m3/s"), result="s"
    ),
    # free chlorine
    "giardia_ct_chlorine": _giardia(giardia_by_chlorine.required_ct, LOG, "mg.min/L"),
    "giardia_ct_regression": _giardia(giardia_regressions.required_ct_by_regression, LOG, "mg.min/L"),
    "giardia_log_chlorine": _giardia(giardia_by_chlorine.log_inactivation, CT, ""),
    "virus_ct_chlorine": _trade(
        lambda given: virus_by_chlorine.required_ct(given[0], ph=given[1], temperature_c=given[2]),
        LOG,
        PH,
        WARMTH,
        result="mg.min/L",
    ),
    "virus_log_chlorine": _trade(
        lambda given: virus_by_chlorine.log_inactivation(given[0], ph=given[1], temperature_c=given[2]),
        CT,
        PH,
        WARMTH,
        result="",
    ),
    # combined chlorine, ozone, chlorine dioxide
    "giardia_ct_chloramine": _ct_by(chloramine.required_ct, "giardia"),
    "giardia_log_chloramine": _log_by(chloramine.log_inactivation, "giardia"),
    "virus_ct_chloramine": _ct_by(chloramine.required_ct, "virus"),
    "virus_log_chloramine": _log_by(chloramine.log_inactivation, "virus"),
    "giardia_ct_ozone": _ct_by(ozone.required_ct, "giardia"),
    "giardia_log_ozone": _log_by(ozone.log_inactivation, "giardia"),
    "virus_ct_ozone": _ct_by(ozone.required_ct, "virus"),
    "virus_log_ozone": _log_by(ozone.log_inactivation, "virus"),
    "crypto_ct_ozone": _ct_by(ozone.required_ct, "cryptosporidium"),
    "crypto_log_ozone": _log_by(ozone.log_inactivation, "cryptosporidium"),
    "crypto_log_chlorine_dioxide": _trade(
        lambda given: ozone.crypto_log_by_chlorine_dioxide(given[0], temperature_c=given[1]), CT, WARMTH, result=""
    ),
    # ultraviolet
    "lamp_factor": _trade(
        lambda given: lamp_factor(*given),
        ("intensity", "W/m2"),
        ("new_intensity", "W/m2"),
        ("transmittance", "%"),
        ("reference", "%"),
        ("slope", "1/%"),
        result="",
    ),
    "uv_dose": _trade(
        _uv_dose,
        ("rated_dose", "J/m2"),
        ("lamp_factor", ""),
        ("transmittance", "%"),
        ("reference", "%"),
        ("slope", "1/%"),
        ("rated_flow", "m3/s"),
        ("flow", "m3/s"),
        result="J/m2",
    ),
    "uv_validated_dose": _trade(
        lambda given: uv_credit.validated_dose(*given),
        ("red", "mJ/cm2"),
        ("bias", ""),
        ("uncertainty", "%"),
        result="mJ/cm2",
    ),
    "uv_set_point_dose": _trade(
        _set_point_dose,
        ("validated_dose", "mJ/cm2"),
        ("intensity", "W/m2"),
        ("least_intensity", "W/m2"),
        ("flow", "m3/s"),
        ("most_flow", "m3/s"),
        result="mJ/cm2",
    ),
    "giardia_log_uv": _trade(lambda given: uv_credit.log_credit("giardia", given[0]), ("dose", "mJ/cm2"), result=""),
    "virus_log_uv": _trade(lambda given: uv_credit.log_credit("virus", given[0]), ("dose", "mJ/cm2"), result=""),
    "crypto_log_uv": _trade(
        lambda given: uv_credit.log_credit("cryptosporidium", given[0]), ("dose", "mJ/cm2"), result=""
    ),
    # the water itself
    "hocl_fraction": _trade(lambda given: water_chemistry.hocl_fraction(*given), PH, WARMTH, result=""),
    "unionised_ammonia_fraction": _trade(
        lambda given: water_chemistry.unionised_ammonia_fraction(*given), PH, WARMTH, result=""
    ),
    "transmittance": _trade(
        lambda given: water_chemistry.transmittance_percent(*given), ("absorbance", "1/cm"), result="%"
    ),
    "absorbance": _trade(
        lambda given: water_chemistry.absorbance_per_cm(*given), ("transmittance", "%"), result="1/cm"
    ),
    "electrode_slope": _trade(lambda given: water_chemistry.electrode_slope_mv(*given), WARMTH, result="mV/pH"),
    "percent_lel": _trade(lambda given: gases.percent_lel(*given), ("gas", "%"), ("lel", "%"), result="%"),
    # pumps, filters, tanks
    "pump_cycle": _trade(
        lambda given: pumps.cycle_s(*given), ("volume", "m3"), ("pump", "m3/s"), ("inflow", "m3/s"), result="s"
    ),
    "pump_starts": _trade(
        lambda given: pumps.starts_per_h(*given),
        ("volume", "m3"),
        ("pump", "m3/s"),
        ("inflow", "m3/s"),
        ("pumps", ""),
        result="1/h",
    ),
    "most_pump_starts": _trade(
        lambda given: pumps.most_starts_per_h(*given), ("volume", "m3"), ("pump", "m3/s"), result="1/h"
    ),
    "filter_loading": _trade(lambda given: filters.loading_m_s(*given), ("flow", "m3/s"), ("area", "m2"), result="m/s"),
    "head_loss_at_rated_flow": _trade(
        lambda given: filters.clean_head_loss(*given),
        ("head_loss", "Pa"),
        ("flow", "m3/s"),
        ("rated_flow", "m3/s"),
        result="Pa",
    ),
    "time_to_overflow": _trade(
        lambda given: storage.time_to_overflow_s(*given),
        ("free_volume", "m3"),
        ("inflow", "m3/s"),
        ("outflow", "m3/s"),
        result="s",
    ),
    "supply_left": _trade(
        lambda given: storage.supply_left_s(*given),
        ("usable_volume", "m3"),
        ("outflow", "m3/s"),
        ("inflow", "m3/s"),
        result="s",
    ),
    "sludge_fraction": _trade(
        lambda given: storage.sludge_fraction(*given), ("sludge", "m"), ("scum", "m"), ("liquid_depth", "m"), result=""
    ),
}
"""By name."""
