"""Every published row of the trade's tables and worked examples, one test a row.

``PURPLEGATE_PUBLISHED=DIR`` runs other files of the same names and columns; a
file that is not there is skipped. ``giardia_free_chlorine_ct`` and its like
are exact where a cell is tabulated; a Giardia residual between rows is
interpolated and may be off by 1. Examples carry their own tolerances.
"""

import json
from collections.abc import Callable, Mapping

import pytest

from gateway.treatment import (
    chloramine,
    contact_time,
    current_loop,
    giardia_by_chlorine,
    ozone,
    turbidity_report,
    uv_credit,
    virus_by_chlorine,
    water_chemistry,
)
from gateway.treatment.giardia_by_chlorine import Look
from gateway.treatment.published_tables import rounded_up_half
from tests.treatment.published import HERE, Row, named, rows
from tests.treatment.worked import Answer, answer

_BINARY = 1e-9  # what binary fractions do; far below any printed figure


@pytest.mark.parametrize("row", rows("giardia_free_chlorine_ct"), ids=named)
def test_giardia_by_free_chlorine(row: Row) -> None:
    log, residual_mg_l = float(row["log_inactivation"]), float(row["free_cl_mg_l"])
    tabulated = residual_mg_l in giardia_by_chlorine.RESIDUALS_MG_L
    look = Look.CONSERVATIVE if tabulated else Look.INTERPOLATED
    ct = giardia_by_chlorine.required_ct(
        log, temperature_c=float(row["temp_c"]), ph=float(row["ph"]), residual_mg_l=residual_mg_l, look=look
    )
    assert rounded_up_half(ct) == pytest.approx(float(row["ct_mg_min_l"]), abs=_BINARY if tabulated else 1)


@pytest.mark.parametrize("row", rows("virus_free_chlorine_ct"), ids=named)
def test_viruses_by_free_chlorine(row: Row) -> None:
    for ph in row["ph_band"].split("-"):
        ct = virus_by_chlorine.required_ct(
            float(row["log_inactivation"]), temperature_c=float(row["temp_c"]), ph=float(ph)
        )
        assert ct == pytest.approx(float(row["ct_mg_min_l"]), abs=_BINARY)


@pytest.mark.parametrize("row", rows("chloramine_ct"), ids=named)
def test_combined_chlorine(row: Row) -> None:
    ct = chloramine.required_ct(row["target"], float(row["log_inactivation"]), temperature_c=float(row["temp_c"]))
    assert ct == float(row["ct_mg_min_l"])


@pytest.mark.parametrize("row", rows("ozone_ct"), ids=named)
def test_ozone(row: Row) -> None:
    ct = ozone.required_ct(row["target"], float(row["log_inactivation"]), temperature_c=float(row["temp_c"]))
    assert ct == float(row["ct_mg_min_l"])


@pytest.mark.parametrize("row", rows("uv_dose"), ids=named)
def test_ultraviolet(row: Row) -> None:
    target, log, dose = row["target"], float(row["log_credit"]), float(row["uv_dose_mj_cm2"])
    assert uv_credit.required_dose(target, log) == dose
    assert uv_credit.log_credit(target, dose) == log
    assert uv_credit.log_credit(target, dose - 0.01) < log


@pytest.mark.parametrize("row", rows("baffling_factors"), ids=named)
def test_baffling(row: Row) -> None:
    assert contact_time.BAFFLING[row["condition"]] == float(row["t10_over_t"])


@pytest.mark.parametrize("row", rows("signal_levels"), ids=named)
def test_states_of_a_current_loop(row: Row) -> None:
    low, high = float(row["from_ma"] or 0), float(row["to_ma"] or 24)
    inside = [low + (high - low) * share for share in (0.001, 0.25, 0.5, 0.75, 0.999)]
    if row["state"].startswith("failure"):
        inside.append(float(row["to_ma"] or row["from_ma"]))
    assert {current_loop.loop_state(current).value for current in inside} == {row["state"]}


@pytest.mark.parametrize("row", rows("turbidity_reporting"), ids=named)
def test_turbidity_increments(row: Row) -> None:
    low = float(row["from_ntu"])
    high = float(row["to_ntu"] or 4 * low)
    for share in (0.001, 0.5, 0.999):
        assert turbidity_report.increment_ntu(low + (high - low) * share) == float(row["report_to_nearest_ntu"])


_CHEMISTRY: Mapping[str, Callable[[Row], float]] = {
    "pKa_HOCl": lambda row: water_chemistry.pka_hocl(float(row["temp_c"])),
    "pKa_NH4": lambda row: water_chemistry.pka_ammonium(float(row["temp_c"])),
    "pH_electrode_slope": lambda row: water_chemistry.electrode_slope_mv(float(row["temp_c"])),
    "HOCl_fraction": lambda row: water_chemistry.hocl_fraction(float(row["ph"]), float(row["temp_c"])),
    "OCl_fraction": lambda row: 1 - water_chemistry.hocl_fraction(float(row["ph"]), float(row["temp_c"])),
    "unionised_NH3_percent": lambda row: (
        100 * water_chemistry.unionised_ammonia_fraction(float(row["ph"]), float(row["temp_c"]))
    ),
    "UVT_percent_1cm": lambda row: water_chemistry.transmittance_percent(float(row["value_in"])),
    "A254_per_cm": lambda row: water_chemistry.absorbance_per_cm(float(row["value_in"])),
}


@pytest.mark.parametrize("row", rows("water_chemistry"), ids=named)
def test_water_chemistry(row: Row) -> None:
    assert row["quantity"] in _CHEMISTRY, f"no rule for the quantity {row['quantity']}"
    assert _CHEMISTRY[row["quantity"]](row) == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


@pytest.mark.parametrize("row", rows("worked_examples"), ids=lambda row: f"{row['id']}-{row['quantity']}")
def test_worked_example(row: Row) -> None:
    found = answer(row["topic"], row["quantity"], json.loads(row["input_json"]))
    _agrees(found, row)


def _agrees(found: Answer, row: Row) -> None:
    expected = row["expected"].strip()
    if isinstance(found, bool):
        assert str(found).lower() == expected.lower()
    elif found == "none":
        assert expected.lower() in {"", "none", "null", "never"}
    elif isinstance(found, str):
        assert found == expected
    else:
        absolute, relative = row["tol_abs"], row["tol_rel"]
        tolerance = float(absolute) if absolute else float(relative or 0) * abs(float(expected))
        assert found == pytest.approx(float(expected), abs=max(tolerance, _BINARY), rel=0)


def test_an_example_of_an_unknown_topic_fails_and_says_where_rules_are() -> None:
    with pytest.raises(LookupError, match='"stars" of the topic "astronomy"'):
        answer("astronomy", "stars", {})


def test_the_published_rows_are_all_here() -> None:
    counts = {file.stem: len(rows(file.stem, HERE)) for file in HERE.glob("*.csv")}
    assert counts == {
        "baffling_factors": 5,
        "chloramine_ct": 29,
        "giardia_free_chlorine_ct": 436,
        "ozone_ct": 85,
        "signal_levels": 7,
        "turbidity_reporting": 5,
        "uv_dose": 16,
        "virus_free_chlorine_ct": 24,
        "water_chemistry": 41,
        "worked_examples": 94,
    }
