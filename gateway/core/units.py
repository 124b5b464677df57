"""Units of measurement: what a unit such as mg.min/L is made of, and what two of them make together.

Decides whether two quantities are of one kind, and the factor between a unit
and the coherent one of its kind (m, kg, s). A symbol that is not known here is
a kind of its own: NTU, pH, and also % and degC, so that nothing is ever added
to a temperature or a percentage by mistake. Nothing here knows an offset.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

Dimension = tuple[tuple[str, float], ...]
"""Base symbols with their exponents, in alphabetical order; empty for a pure number."""

PURE: Dimension = ()

_LENGTH: Dimension = (("m", 1.0),)
_VOLUME: Dimension = (("m", 3.0),)
_MASS: Dimension = (("kg", 1.0),)
_TIME: Dimension = (("s", 1.0),)
_POWER: Dimension = (("kg", 1.0), ("m", 2.0), ("s", -3.0))
_ENERGY: Dimension = (("kg", 1.0), ("m", 2.0), ("s", -2.0))
_PRESSURE: Dimension = (("kg", 1.0), ("m", -1.0), ("s", -2.0))

KNOWN: Mapping[str, tuple[float, Dimension]] = {
    "mm": (1e-3, _LENGTH),
    "cm": (1e-2, _LENGTH),
    "m": (1.0, _LENGTH),
    "km": (1e3, _LENGTH),
    "mL": (1e-6, _VOLUME),
    "L": (1e-3, _VOLUME),
    "ug": (1e-9, _MASS),
    "mg": (1e-6, _MASS),
    "g": (1e-3, _MASS),
    "kg": (1.0, _MASS),
    "t": (1e3, _MASS),
    "ms": (1e-3, _TIME),
    "s": (1.0, _TIME),
    "min": (60.0, _TIME),
    "h": (3_600.0, _TIME),
    "d": (86_400.0, _TIME),
    "mW": (1e-3, _POWER),
    "W": (1.0, _POWER),
    "kW": (1e3, _POWER),
    "mJ": (1e-3, _ENERGY),
    "J": (1.0, _ENERGY),
    "kJ": (1e3, _ENERGY),
    "Wh": (3.6e3, _ENERGY),
    "kWh": (3.6e6, _ENERGY),
    "Pa": (1.0, _PRESSURE),
    "kPa": (1e3, _PRESSURE),
    "mbar": (1e2, _PRESSURE),
    "bar": (1e5, _PRESSURE),
}
"""Symbol to its factor and kind."""

_DIGITS = 9  # of an exponent; hides what binary fractions do to thirds


class NotAUnit(ValueError):  # noqa: N818 - named for what is the case
    """A text cannot be read as a unit; the text says what it must look like."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """A unit that has been understood.

    Args:
        text: as it was written.
        factor: how many of the coherent unit one of it is.
        dimension: its kind.
    """

    text: str
    factor: float
    dimension: Dimension


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A fixed number with its unit."""

    value: float
    unit: Unit


def parse_unit(text: str) -> Unit:
    """Read a unit: factors joined by ``.``, then each divisor after a ``/`` of its own; empty for a pure number.

    Raises:
        NotAUnit: it is not of that form.
    """
    above, *below = text.split("/")
    factor, dimension = 1.0, PURE
    for part in above.split(".") if above not in {"", "1"} else []:
        scale, kind = _factor(part)
        factor, dimension = factor * scale, times(dimension, kind)
    for part in below:
        scale, kind = _factor(part)
        factor, dimension = factor / scale, times(dimension, kind, -1.0)
    if below and not above:
        raise NotAUnit("something before the /, such as 1/h")
    return Unit(text=text, factor=factor, dimension=dimension)


def _factor(text: str) -> tuple[float, Dimension]:
    """A symbol with a whole exponent from 1 to 9, or none."""
    has_exponent = text != "" and text[-1] in "123456789"
    symbol, exponent = (text[:-1], int(text[-1])) if has_exponent else (text, 1)
    if not symbol or not all(letter.isalpha() or letter in "%°" for letter in symbol):
        raise NotAUnit("a unit such as m3/h, mg.min/L, 1/% or NTU, with no . after a /")
    scale, kind = KNOWN.get(symbol, (1.0, ((symbol, 1.0),)))
    return scale**exponent, raised(kind, float(exponent))


def parse_quantity(text: str) -> Quantity:
    """Read a number and its unit, such as ``4.50 m3``; without a unit it is a pure number.

    Raises:
        NotAUnit: the unit cannot be read, or the number is beyond all measure in it.
    """
    number, _, word = text.partition(" ")
    unit = parse_unit(word)
    if not math.isfinite(float(number) * unit.factor):
        raise NotAUnit("a number below 1e308, also in the coherent unit")
    return Quantity(value=float(number), unit=unit)


def times(left: Dimension, right: Dimension, power: float = 1.0) -> Dimension:
    """The kind of a product, or with a power of -1 of a quotient."""
    exponents = dict(left)
    for symbol, exponent in right:
        exponents[symbol] = round(exponents.get(symbol, 0.0) + exponent * power, _DIGITS)
    return tuple(sorted((symbol, exponent) for symbol, exponent in exponents.items() if exponent))


def raised(dimension: Dimension, power: float) -> Dimension:
    """The kind of a power."""
    return times(PURE, dimension, power)


def in_words(dimension: Dimension) -> str:
    """A kind in its coherent unit, such as ``m3/s``."""
    above = ".".join(_power(symbol, exponent) for symbol, exponent in dimension if exponent > 0)
    below = "".join(f"/{_power(symbol, -exponent)}" for symbol, exponent in dimension if exponent < 0)
    return f"{above or '1'}{below}" if dimension else "no unit"


def _power(symbol: str, exponent: float) -> str:
    return symbol if exponent == 1 else f"{symbol}{exponent:g}"
