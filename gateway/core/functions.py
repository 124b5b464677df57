"""The functions a formula may call by name: how many arguments, of which kinds, and what comes out.

Decides nothing by itself. Those of the trade take and give coherent units;
their arithmetic is ``gateway.treatment``'s.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from gateway.core.units import PURE, Dimension, in_words, parse_unit, raised
from gateway.treatment.contact_time import contact_time_s
from gateway.treatment.uv import Validated, lamp_factor, uv_dose_j_m2

_MOST = 10  # arguments of those that take any number


class WrongKind(ValueError):  # noqa: N818 - named for what is the case
    """An argument is of another kind than it must be.

    Args:
        found: the kind that was given.
        allowed: the kind that may be given.
    """

    def __init__(self, found: str, allowed: str) -> None:
        self.found = found
        self.allowed = allowed
        super().__init__(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Function:
    """One function.

    Args:
        parameters: how it is called, in words.
        least: fewest arguments.
        most: most arguments.
        dimension: kind of the result from the kinds of the arguments; raises ``WrongKind``.
        compute: the result; raises an arithmetic error or ValueError where there is none.
    """

    parameters: str
    least: int
    most: int
    dimension: Callable[[Sequence[Dimension]], Dimension]
    compute: Callable[[Sequence[float]], float]


def alike(given: Sequence[Dimension]) -> Dimension:
    """The one kind that all are of."""
    for one in given[1:]:
        if one != given[0]:
            raise WrongKind(f"{in_words(given[0])} beside {in_words(one)}", "quantities of one kind")
    return given[0]


def pure(given: Sequence[Dimension]) -> Dimension:
    """No unit, for arguments without one."""
    for one in given:
        if one != PURE:
            raise WrongKind(in_words(one), "a pure number")
    return PURE


def _half(given: Sequence[Dimension]) -> Dimension:
    return raised(given[0], 0.5)


def _clip(given: Sequence[float]) -> float:
    value, low, high = given
    if low > high:
        raise ValueError(f"the lower end lies above the upper one, got {low} and {high}")
    return min(max(value, low), high)


def _uv_dose(given: Sequence[float]) -> float:
    dose_j_m2, lamps, now_percent, reference_percent, slope_per_percent, rated_m3_s, flow_m3_s = given
    at = Validated(
        dose_j_m2=dose_j_m2,
        transmittance_percent=reference_percent,
        flow_m3_s=rated_m3_s,
        slope_per_percent=slope_per_percent,
    )
    return uv_dose_j_m2(at, lamps, now_percent, flow_m3_s)


def _units(*parameters: str, result: str) -> Callable[[Sequence[Dimension]], Dimension]:
    """A rule for arguments of these units, in this order."""
    wanted = [parse_unit(text).dimension for text in parameters]
    comes_out = parse_unit(result).dimension

    def rule(given: Sequence[Dimension]) -> Dimension:
        for number, (one, right) in enumerate(zip(given, wanted, strict=True)):
            if one != right:
                raise WrongKind(f"{in_words(one)} as argument {number + 1}", in_words(right))
        return comes_out

    return rule


FUNCTIONS: Mapping[str, Function] = {
    "abs": Function(parameters="x", least=1, most=1, dimension=alike, compute=lambda given: abs(given[0])),
    "sqrt": Function(parameters="x", least=1, most=1, dimension=_half, compute=lambda given: math.sqrt(given[0])),
    "exp": Function(parameters="x", least=1, most=1, dimension=pure, compute=lambda given: math.exp(given[0])),
    "log": Function(parameters="x", least=1, most=1, dimension=pure, compute=lambda given: math.log(given[0])),
    "min": Function(parameters="x, y, ...", least=2, most=_MOST, dimension=alike, compute=min),
    "max": Function(parameters="x, y, ...", least=2, most=_MOST, dimension=alike, compute=max),
    "clip": Function(parameters="x, low, high", least=3, most=3, dimension=alike, compute=_clip),
    "contact_time": Function(
        parameters="volume, baffling_factor, flow",
        least=3,
        most=3,
        dimension=_units("m3", "", "m3/s", result="s"),
        compute=lambda given: contact_time_s(*given),
    ),
    "lamp_factor": Function(
        parameters="intensity, new_intensity, transmittance, reference, slope",
        least=5,
        most=5,
        dimension=_units("W/m2", "W/m2", "%", "%", "1/%", result=""),
        compute=lambda given: lamp_factor(*given),
    ),
    "uv_dose": Function(
        parameters="rated_dose, lamp_factor, transmittance, reference, slope, rated_flow, flow",
        least=7,
        most=7,
        dimension=_units("J/m2", "", "%", "%", "1/%", "m3/s", "m3/s", result="J/m2"),
        compute=_uv_dose,
    ),
}
"""Every function but those over the day, by name."""
