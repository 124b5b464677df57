"""Formulas call the trade's functions by name, in the units of the site: a figure of each, and refusals."""

import pytest

from gateway.core.expression import BadFormula, compile_formula
from gateway.core.trade_functions import TRADE_FUNCTIONS
from gateway.core.units import parse_quantity, parse_unit
from gateway.treatment.refusal import NotCovered

FIGURES = [  # name, arguments, unit of the result, figure
    ("contact_time", ("4.5 m3", "0.7", "2.1 m3/h"), "min", 90.0),
    ("giardia_ct_chlorine", ("3", "0.8 mg/L", "7.5 pH", "10 degC"), "mg.min/L", 131.0),
    ("giardia_ct_chlorine", ("0.5", "1.2 mg/L", "8 pH", "10 degC"), "mg.min/L", 166 / 6),
    ("giardia_ct_chlorine", ("1.5", "820 ug/L", "7.6 pH", "0.4 degC"), "mg.min/L", 152.0),
    ("giardia_ct_regression", ("3", "1 mg/L", "7 pH", "15 degC"), "mg.min/L", 81.713),
    ("giardia_log_chlorine", ("65 mg.min/L", "0.8 mg/L", "6 pH", "0.5 degC"), "", 3 * 65 / 145),
    ("virus_ct_chlorine", ("4", "7 pH", "12 degC"), "mg.min/L", 6.0),
    ("virus_log_chlorine", ("60 mg.min/L", "7 pH", "12 degC"), "", 4.0),
    ("giardia_ct_chloramine", ("3", "20 degC"), "mg.min/L", 1_100.0),
    ("giardia_log_chloramine", ("925 mg.min/L", "10 degC"), "", 1.0 + 0.5 * 310 / 315),
    ("virus_ct_chloramine", ("4", "21 degC"), "mg.min/L", 746.0),
    ("virus_log_chloramine", ("857 mg.min/L", "5 degC"), "", 2.0),
    ("giardia_ct_ozone", ("3", "10 degC"), "mg.min/L", 1.43),
    ("giardia_log_ozone", ("1.43 mg.min/L", "10 degC"), "", 3.0),
    ("virus_ct_ozone", ("4", "6 degC"), "mg.min/L", 1.2),
    ("virus_log_ozone", ("0.6 mg.min/L", "10 degC"), "", 2 + 0.1 / 0.3),
    ("crypto_ct_ozone", ("0.5", "10 degC"), "mg.min/L", 4.9),
    ("crypto_log_ozone", ("5 mg.min/L", "12 degC"), "", 0.6067),
    ("crypto_log_chlorine_dioxide", ("138 mg.min/L", "10 degC"), "", 0.4973),
    ("lamp_factor", ("59 W/m2", "118 W/m2", "74 %", "74 %", "0.02 1/%"), "%", 50.0),
    ("uv_dose", ("128 mJ/cm2", "0.5", "74 %", "74 %", "0.055 1/%", "2 m3/h", "1 m3/h"), "mJ/cm2", 128.0),
    ("uv_validated_dose", ("30 mJ/cm2", "1.4", "15 %"), "mJ/cm2", 18.634),
    ("uv_set_point_dose", ("80 mJ/cm2", "12 W/m2", "11 W/m2", "2 m3/h", "2 m3/h"), "mJ/cm2", 80.0),
    ("uv_set_point_dose", ("80 mJ/cm2", "12 W/m2", "11 W/m2", "2.01 m3/h", "2 m3/h"), "mJ/cm2", 0.0),
    ("giardia_log_uv", ("10.99 mJ/cm2",), "", 2.5),
    ("virus_log_uv", ("100 mJ/cm2",), "", 2.0),
    ("crypto_log_uv", ("12 mJ/cm2",), "", 3.0),
    ("hocl_fraction", ("7.5 pH", "25 degC"), "%", 52.11),
    ("unionised_ammonia_fraction", ("8 pH", "25 degC"), "%", 5.366),
    ("transmittance", ("0.1 1/cm",), "%", 79.43),
    ("absorbance", ("55 %",), "1/cm", 0.2596),
    ("electrode_slope", ("25 degC",), "mV/pH", 59.159),
    ("percent_lel", ("2.6 %", "5 %"), "%", 52.0),
    ("pump_cycle", ("900 L", "4 L/s", "1 L/s"), "s", 1_200.0),
    ("pump_starts", ("900 L", "4 L/s", "1 L/s", "2"), "1/h", 1.5),
    ("most_pump_starts", ("900 L", "4 L/s"), "1/h", 4.0),
    ("filter_loading", ("12.2 m3/h", "1 m2"), "m/h", 12.2),
    ("head_loss_at_rated_flow", ("10 kPa", "1 m3/h", "2 m3/h"), "kPa", 20.0),
    ("time_to_overflow", ("1.5 m3", "3 m3/h", "1 m3/h"), "min", 45.0),
    ("supply_left", ("12 m3", "0.5 m3/h", "0 m3/h"), "h", 24.0),
    ("sludge_fraction", ("250 mm", "0.05 m", "1.2 m"), "%", 25.0),
]


def value_of(name: str, given: tuple[str, ...], unit: str) -> float:
    words = {f"x{number}": parse_quantity(text) for number, text in enumerate(given)}
    formula = compile_formula(f"{name}({', '.join(words)})", inputs={}, constants=words, unit=parse_unit(unit))
    return formula.compute([])


@pytest.mark.parametrize(("name", "given", "unit", "figure"), FIGURES)
def test_a_function_gives_its_figure_in_the_units_of_the_site(
    name: str, given: tuple[str, ...], unit: str, figure: float
) -> None:
    assert value_of(name, given, unit) == pytest.approx(figure, rel=2e-4)


def test_every_function_of_the_trade_has_a_figure_here() -> None:
    assert {name for name, *_ in FIGURES} == set(TRADE_FUNCTIONS)


@pytest.mark.parametrize(
    ("name", "given", "unit"),
    [
        ("giardia_ct_chlorine", ("3", "0.8 mg/L", "9.1 pH", "10 degC"), "mg.min/L"),
        ("virus_ct_chlorine", ("4.1", "7 pH", "12 degC"), "mg.min/L"),
        ("contact_time", ("4.5 m3", "1.1", "2.1 m3/h"), "min"),
        ("contact_time", ("4.5 m3", "0.7", "0 m3/h"), "min"),
        ("transmittance", ("-0.1 1/cm",), "%"),
        ("pump_cycle", ("900 L", "4 L/s", "4 L/s"), "s"),
        ("time_to_overflow", ("1.5 m3", "1 m3/h", "3 m3/h"), "min"),
        ("hocl_fraction", ("7 pH", "36 degC"), ""),
    ],
)
def test_what_no_publication_covers_is_refused_rather_than_extrapolated(
    name: str, given: tuple[str, ...], unit: str
) -> None:
    with pytest.raises(NotCovered):
        value_of(name, given, unit)


def test_another_unit_is_refused_when_the_formula_is_read() -> None:
    with pytest.raises(BadFormula, match="kg/m3 as argument 1 in giardia_log_chlorine"):
        value_of("giardia_log_chlorine", ("65 mg/L", "0.8 mg/L", "6 pH", "0.5 degC"), "")
