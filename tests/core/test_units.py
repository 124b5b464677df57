"""Units: what they are made of, what they make together, and which texts are none."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.core.units import (
    KNOWN,
    PURE,
    Dimension,
    NotAUnit,
    in_words,
    parse_quantity,
    parse_unit,
    raised,
    times,
)

DIMENSIONS = st.dictionaries(st.sampled_from(["m", "kg", "s", "NTU", "%"]), st.integers(-4, 4), max_size=4).map(
    lambda exponents: times(PURE, tuple((symbol, float(exponent)) for symbol, exponent in exponents.items()))
)


@pytest.mark.parametrize(
    ("text", "factor", "coherent"),
    [
        ("", 1.0, "no unit"),
        ("1", 1.0, "no unit"),
        ("m3/h", 1 / 3_600, "m3/s"),
        ("L/h", 1 / 3_600_000, "m3/s"),
        ("mL/h", 1e-6 / 3_600, "m3/s"),
        ("mg/L", 1e-3, "kg/m3"),
        ("g/h", 1e-3 / 3_600, "kg/s"),
        ("mg.min/L", 0.06, "kg.s/m3"),
        ("mJ/cm2", 10.0, "kg/s2"),
        ("W/m2", 1.0, "kg/s3"),
        ("kWh", 3.6e6, "kg.m2/s2"),
        ("bar", 1e5, "kg/m/s2"),
        ("1/%", 1.0, "1/%"),
        ("%", 1.0, "%"),
        ("NTU", 1.0, "NTU"),
        ("degC", 1.0, "degC"),
        ("°C", 1.0, "°C"),
        ("g/L/d", 1 / 86_400, "kg/m3/s"),
    ],
)
def test_a_unit_is_read_with_its_factor_and_kind(text: str, factor: float, coherent: str) -> None:
    unit = parse_unit(text)
    assert unit.factor == pytest.approx(factor, rel=1e-12)
    assert in_words(unit.dimension) == coherent


@pytest.mark.parametrize(
    "text", ["/h", "m/", "m..h", ".", "m3/h.d", "MPN/100mL", "mmH2O", "m0", "m 3", "m-1", "3", "m33", "a b", "m³"]
)
def test_what_is_no_unit_is_refused(text: str) -> None:
    with pytest.raises(NotAUnit):
        parse_unit(text)


@given(st.text(max_size=20))
def test_any_text_is_a_unit_or_is_refused_as_none(text: str) -> None:
    try:
        unit = parse_unit(text)
    except NotAUnit:
        return
    assert unit.factor > 0


@pytest.mark.parametrize(
    ("left", "right", "product"),
    [
        ("m3/h", "h", "m3"),
        ("mg/L", "m3/h", "g/h"),
        ("W/m2", "s", "J/m2"),
        ("mg/L", "min", "mg.min/L"),
        ("kW", "h", "kWh"),
        ("%", "1/%", ""),
    ],
)
def test_two_units_make_a_third(left: str, right: str, product: str) -> None:
    assert times(parse_unit(left).dimension, parse_unit(right).dimension) == parse_unit(product).dimension


@given(DIMENSIONS, DIMENSIONS)
def test_dividing_undoes_multiplying(left: Dimension, right: Dimension) -> None:
    assert times(times(left, right), right, -1.0) == left


@given(DIMENSIONS)
def test_the_root_of_a_square_is_the_kind_itself(dimension: Dimension) -> None:
    assert raised(raised(dimension, 2.0), 0.5) == dimension


def test_every_known_symbol_is_written_as_it_is_read() -> None:
    for symbol, (factor, dimension) in KNOWN.items():
        unit = parse_unit(symbol)
        assert (unit.factor, unit.dimension) == (factor, dimension)
        assert dimension == tuple(sorted(dimension))


def test_a_quantity_is_a_number_with_its_unit() -> None:
    volume = parse_quantity("4.50 m3")
    assert (volume.value, volume.unit.text) == (4.5, "m3")
    assert parse_quantity("-0.7").unit.dimension == PURE


@pytest.mark.parametrize("text", ["1e999 m", "1e307 kWh", "4.5 m3.", "4.5  m"])
def test_a_quantity_that_cannot_be_computed_with_is_refused(text: str) -> None:
    with pytest.raises(NotAUnit):
        parse_quantity(text)
