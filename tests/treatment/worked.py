"""What the gateway's arithmetic answers to a worked example: inputs by their names and units, a figure by its name.

A topic chooses where a figure alone does not say which rule is meant. Units
are read off the names (``flow_mgd``, ``points_min_m3h``), limits off the names
of figures (``percent_of_readings_above_5``), so that other figures of the same
topics need nothing new. What is not known fails, and says so.
"""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from gateway.treatment import (
    contact_time,
    current_loop,
    gases,
    giardia_by_chlorine,
    giardia_regressions,
    log_credits,
    ozone,
    pumps,
    result_rules,
    results,
    segments,
    spaced_readings,
    time_weighted,
    totals,
    turbidity_report,
    uv_credit,
    virus_by_chlorine,
)
from gateway.treatment.contact_time import TracerTest
from gateway.treatment.giardia_by_chlorine import Look
from gateway.treatment.limits import exceeds, reaches
from gateway.treatment.published_tables import rounded_up_half
from gateway.treatment.refusal import NotCovered
from gateway.treatment.results import Result
from gateway.treatment.rolling import USABLE, rolling
from gateway.treatment.segments import Segment

Given = Mapping[str, Any]
Answer = float | bool | str
Work = Callable[[Given, Sequence[str], str], Answer]
"""From the inputs, what the name of the figure holds in brackets, and the topic."""

_US_GALLON_M3 = 0.003785411784
UNITS: Mapping[str, float] = {
    "gal": _US_GALLON_M3,
    "l": 1e-3,
    "litres": 1e-3,
    "m3": 1.0,
    "gpm": _US_GALLON_M3 / 60,
    "mgd": 1e6 * _US_GALLON_M3 / 86_400,
    "lps": 1e-3,
    "lpm": 1e-3 / 60,
    "m3h": 1 / 3_600,
    "m3d": 1 / 86_400,
    "s": 1.0,
    "min": 60.0,
    "h": 3_600.0,
}
"""In m3, m3/s and s."""


def answer(topic: str, figure: str, given: Given) -> Answer:
    """The figure.

    Raises:
        LookupError: no rule for this topic and figure, or an input that it needs is not there.
    """
    for pattern, work in _FIGURES:
        found = re.fullmatch(pattern, f"{topic} | {figure}", re.IGNORECASE)
        if found:
            return work(given, found.groups(), topic)
    raise LookupError(f'no rule for the figure "{figure}" of the topic "{topic}"; tests/treatment/worked.py has them')


def amount(given: Given, name: str) -> float:
    """An input in m3, m3/s or s, by the unit behind its name."""
    for unit, factor in UNITS.items():
        if f"{name}_{unit}" in given:
            return float(given[f"{name}_{unit}"]) * factor
    raise LookupError(f"no input {name}_<unit> among {', '.join(given)}; units are {', '.join(UNITS)}")


def one_that_begins(given: Given, *beginnings: str) -> tuple[str, Any]:
    """The first input whose name begins so, and what it holds."""
    for name, value in given.items():
        if name.startswith(beginnings):
            return name, value
    raise LookupError(f"no input that begins with {' or '.join(beginnings)} among {', '.join(given)}")


def _flow(given: Given) -> float:
    return amount(given, "peak_flow" if any(name.startswith("peak_flow_") for name in given) else "flow")


# --- contact time and CT


def _detention_min(given: Given, _: Sequence[str], __: str) -> float:
    return contact_time.theoretical_detention_s(amount(given, "volume"), _flow(given)) / 60


def _t10_min(given: Given, _: Sequence[str] = (), __: str = "") -> float:
    if "t10_min" in given:
        return float(given["t10_min"])
    return contact_time.contact_time_s(amount(given, "volume"), given["baffling_factor"], _flow(given)) / 60


def _ct(given: Given, _: Sequence[str] = (), __: str = "") -> float:
    return segments.ct_mg_min_l(given["free_cl_mg_l"], _t10_min(given))


def _segments(given: Given) -> list[Segment]:
    return [
        Segment(
            t10_min=_t10_min(one), residual_mg_l=one["free_cl_mg_l"], temperature_c=one["temp_c"], ph=float(one["ph"])
        )
        for one in given.get("segments", [given])
    ]


def _look(given: Given) -> Look:
    named = given.get("lookup", "conservative")
    return Look.CONSERVATIVE if named == "conservative" else Look.INTERPOLATED


def _giardia_log(given: Given, _: Sequence[str], __: str) -> float:
    return segments.giardia_log(_segments(given), _look(given))


def _giardia_ratio(given: Given, _: Sequence[str], __: str) -> float:
    return segments.giardia_ratio(_segments(given), _look(given))


def _ct_required(given: Given, named: Sequence[str], _: str) -> float:
    logs, method = named
    log = float(logs) if logs else float(given["log_inactivation"])
    water: dict[str, Any] = {
        "temperature_c": float(given["temp_c"]),
        "ph": float(given["ph"]),
        "residual_mg_l": float(given["free_cl_mg_l"]),
    }
    if method == "regression_1995":
        return giardia_regressions.required_ct_by_regression(log, **water)
    if method == "simplified":
        return giardia_regressions.required_ct_simplified(log, **water)
    if method == "conservative":
        return rounded_up_half(giardia_by_chlorine.required_ct(log, **water))  # as the guidance manual prints it
    return giardia_by_chlorine.required_ct(log, **water, look=Look.INTERPOLATED)


def _modal_min(given: Given, _: Sequence[str], __: str) -> float:
    test = TracerTest(flow_m3_s=amount(given, "test_flow"), modal_s=amount(given, "test_modal"))
    return contact_time.modal_time_if_inverse_s(test, amount(given, "actual_flow")) / 60


# --- readings over time


def _values(given: Given) -> list[float]:
    return [float(value) for value in one_that_begins(given, "ntu", "readings_", "values")[1]]


def _turbidity_limit(given: Given, topic: str) -> float:
    return float(given.get("limit", 0.2 if "membrane" in topic.lower() else 5))


def _exceeds_time_limit(given: Given, _: Sequence[str], topic: str) -> bool:
    if given.get("interval_h", 0) > spaced_readings.SHARE_SPACING_H:
        raise NotCovered("interval h", given["interval_h"], "at most 1.2", "22 CCR 60321")
    return exceeds(spaced_readings.share_above(_values(given), _turbidity_limit(given, topic)), 0.05)


def _of_points(given: Given) -> time_weighted.Figures:
    points = one_that_begins(given, "points_")[1]
    return time_weighted.figures(
        [(time, value) for time, value in points],
        begin=points[0][0],
        end=given.get("end_min", points[-1][0]),
        limit=float(given.get("threshold", math.inf)),
        rule=time_weighted.Rule(given["rule"]),
    )


def _trip_minute(given: Given, _: Sequence[str], __: str) -> Answer:
    points = one_that_begins(given, "points_")[1]
    found = time_weighted.lasted_above(
        [(time, value) for time, value in points], end=math.inf, limit=given["limit"], delay=given["delay_min"]
    )
    return "none" if found is None else found


def _day_mean(given: Given, named: Sequence[str], _: str) -> float:
    hourly, day = one_that_begins(given, "hourly_")[1], int(named[0])
    return spaced_readings.mean_of(hourly[24 * (day - 1) : 24 * day])


def _largest_rolling_mean(given: Given, named: Sequence[str], _: str) -> float:
    hourly, hours = one_that_begins(given, "hourly_")[1], int(named[0])
    readings = [(hour, float(value), int(USABLE)) for hour, value in enumerate([*hourly, 0.0])]
    windows = rolling(readings, window_ms=hours)
    return max(mean for mean, _, _, usable, _ in windows if usable == hours)


def _volume_m3(given: Given, _: Sequence[str], __: str) -> float:
    if "bits" in given:
        name, per_pulse = next(pair for pair in given.items() if pair[0].endswith("_per_pulse"))
        counted = totals.pulses(given["previous"], given["current"], bits=given["bits"])
        return counted * float(per_pulse) * UNITS[name.removesuffix("_per_pulse")]
    name, points = one_that_begins(given, "points_")
    _, time_unit, rate_unit = name.split("_")
    in_seconds = [(time * UNITS[time_unit], None if rate is None else rate * UNITS[rate_unit]) for time, rate in points]
    return totals.integrated(in_seconds, longest=UNITS["h"] * 24)[0]


# --- laboratory results


def _results(given: Given) -> list[Result]:
    return [results.result_of(one) for one in next(value for value in given.values() if isinstance(value, list))]


def _median_of_last(given: Given, named: Sequence[str], _: str) -> float:
    return results.median_of(_results(given)[-int(named[0]) :]).value


_EU_E_COLI = {"A": 10.0, "B": 100.0, "C": 1_000.0, "D": 10_000.0}
_EU_OTHERS = {"bod5": (10.0, 2.0), "tss": (10.0, 2.0), "turbidity": (5.0, 2.0), "legionella": (1_000.0, 10.0)}


def _eu_compliant(given: Given, named: Sequence[str], _: str) -> bool:
    parameter = next(iter(given))
    limit, over = _EU_OTHERS.get(parameter.partition("_")[0], (_EU_E_COLI[named[0].upper()], 10.0))
    return result_rules.share_and_largest_met(_results(given), limit, share=0.9, most=over * limit)


def _florida_compliant(given: Given, _: Sequence[str], __: str) -> bool:
    series = _results(given)
    return reaches(results.share_not_detected(series), 0.75) and result_rules.never_above(series, 25)


def _credits(given: Given) -> float:
    return log_credits.total_log(one_that_begins(given, "credits")[1])


# --- pumps, instruments, gases


def _active_volume(given: Given, named: Sequence[str], _: str) -> float:
    return pumps.active_volume_m3(amount(given, "pump"), given["starts_per_h"]) / UNITS[named[0]]


def _cycle(given: Given, named: Sequence[str], _: str) -> float:
    lasting_s = pumps.cycle_s(amount(given, "active_volume"), amount(given, "pump"), amount(given, "inflow"))
    return lasting_s / UNITS[named[0]]


def _starts(given: Given, _: Sequence[str], topic: str) -> float:
    number = given.get("pumps", 2 if "two pumps" in topic else 1)
    return pumps.starts_per_h(amount(given, "active_volume"), amount(given, "pump"), amount(given, "inflow"), number)


def _loop_value(given: Given, _: Sequence[str], __: str) -> Answer:
    try:
        return current_loop.loop_value(given["ma"], given["lo"], given["hi"])
    except NotCovered:
        return "none"


def _percent_lel(given: Given) -> float:
    percent_vol = given["percent_vol"] if "percent_vol" in given else given["ppm"] / gases.PPM_PER_PERCENT
    return gases.percent_lel(percent_vol, given["lel_percent_vol"])


def _hazardous(given: Given, _: Sequence[str], __: str) -> bool:
    if "o2_percent" in given:
        return gases.oxygen_hazardous(given["o2_percent"])
    return gases.flammable_hazardous(given["percent_lel"] if "percent_lel" in given else _percent_lel(given))


_NUMBER = r"(\d+(?:\.\d+)?)"
_FIGURES: Sequence[tuple[str, Work]] = (
    (r".* \| theoretical_detention_min", _detention_min),
    (r".* \| t10_min", _t10_min),
    (r".* \| ct_calc", _ct),
    (
        rf".* \| ct_required(?:_{_NUMBER}log)?_(conservative|trilinear|interpolated|regression_1995|simplified)",
        _ct_required,
    ),
    (r".* \| (?:inactivation_ratio|sum_ct_ratio)", _giardia_ratio),
    (r".* \| giardia_log", _giardia_log),
    (
        r"Crypto.*ozone.* \| crypto_log",
        lambda given, _, __: ozone.crypto_log(given["ct_mg_min_l"], temperature_c=given["temp_c"]),
    ),
    (
        r"virus.*free chlorine.* \| virus_log_proportional_to_4log",
        lambda given, _, __: virus_by_chlorine.proportional_log(
            given["ct_mg_min_l"], temperature_c=given["temp_c"], ph=given["ph"]
        ),
    ),
    (
        r"UV credit.* \| log_credit",
        lambda given, _, __: uv_credit.log_credit(given["target"], given["validated_dose_mj_cm2"]),
    ),
    (
        r".* \| validated_dose",
        lambda given, _, __: uv_credit.validated_dose(given["RED_mj_cm2"], given["B_RED"], given["U_val_percent"]),
    ),
    (
        r"UV off-spec.* \| percent_inside",
        lambda given, _, __: 100 * uv_credit.share_inside(given["inside_m3"], given["outside_m3"]),
    ),
    (
        rf"UV off-spec.* \| meets_{_NUMBER}_percent",
        lambda given, named, _: reaches(
            uv_credit.share_inside(given["inside_m3"], given["outside_m3"]), float(named[0]) / 100
        ),
    ),
    (
        r"Title 22.* \| meets_450_and_90",
        lambda given, _, __: result_rules.chlorine_contact_met(given["total_cl_mg_l"], given["modal_min"]),
    ),
    (
        rf".* \| min_total_cl_for_{_NUMBER}",
        lambda given, named, _: float(named[0]) / (amount(given, "modal") / UNITS["min"]),
    ),
    (r".* \| modal_min_if_inverse_to_flow", _modal_min),
    (r".* \| median_last_(\d+)", _median_of_last),
    (r"Title 22 coliform.* \| compliant", lambda given, _, __: result_rules.coliform_met(_results(given))),
    (r"EU 2020/741 class ([A-D]).* \| compliant", _eu_compliant),
    (r"Florida.* \| compliant", _florida_compliant),
    (
        rf".* \| percent_of_readings_above_{_NUMBER}",
        lambda given, named, _: 100 * spaced_readings.share_above(_values(given), float(named[0])),
    ),
    (r"Title 22 turbidity.* \| exceeds_time_limit", _exceeds_time_limit),
    (rf".* \| exceeds_max_{_NUMBER}", lambda given, named, _: exceeds(max(_values(given)), float(named[0]))),
    (
        rf".*mean.* \| exceeds_{_NUMBER}",
        lambda given, named, _: exceeds(spaced_readings.mean_of(_values(given)), float(named[0])),
    ),
    (r".* \| mean_24h", lambda given, _, __: spaced_readings.mean_of(_values(given))),
    (r".* \| percent_time_above", lambda given, _, __: 100 * _of_points(given).share_above),
    (r".* \| time_weighted_mean", lambda given, _, __: _of_points(given).mean),
    (r".* \| day(\d)_mean", _day_mean),
    (r".* \| max_rolling_(\d+)h_mean", _largest_rolling_mean),
    (r"filter influent.* \| trip_minute", _trip_minute),
    (r".* \| volume_m3", _volume_m3),
    (r".* \| active_volume_(gal|l|m3)", _active_volume),
    (r".* \| cycle_(s|min|h)", _cycle),
    (r".* \| starts_per_h(?:_each)?", _starts),
    (r"4-20 mA.* \| state", lambda given, _, __: current_loop.loop_state(given["ma"]).value),
    (r"4-20 mA.* \| value_unclamped", _loop_value),
    (r"Method 180\.1.* \| reported", lambda given, _, __: turbidity_report.reported_ntu(given["ntu"])),
    (
        r".* \| twa_ppm",
        lambda given, _, __: gases.time_weighted_ppm([(hours, ppm) for hours, ppm in given["segments_h_ppm"]]),
    ),
    (r".* \| percent_lel", lambda given, _, __: _percent_lel(given)),
    (r".* \| hazardous", _hazardous),
    (r".* \| geomean", lambda given, _, __: results.geometric_mean(_values(given))),
    (r"log credit.* \| total", lambda given, _, __: _credits(given)),
    (r"log credit.* \| meets", lambda given, _, __: reaches(_credits(given), given["target"])),
)
