"""The functions a formula may call by name: how many arguments, of which kinds, and what comes out.

Decides nothing by itself. Those of the trade are in ``trade_functions``.
"""

import math
from collections.abc import Mapping, Sequence

from gateway.core.function import Function, alike, pure
from gateway.core.trade_functions import TRADE_FUNCTIONS
from gateway.core.units import Dimension, raised

_MOST = 10  # arguments of those that take any number


def _half(given: Sequence[Dimension]) -> Dimension:
    return raised(given[0], 0.5)


def _clip(given: Sequence[float]) -> float:
    value, low, high = given
    if low > high:
        raise ValueError(f"the lower end lies above the upper one, got {low} and {high}")
    return min(max(value, low), high)


FUNCTIONS: Mapping[str, Function] = {
    "abs": Function(parameters="x", least=1, most=1, dimension=alike, compute=lambda given: abs(given[0])),
    "sqrt": Function(parameters="x", least=1, most=1, dimension=_half, compute=lambda given: math.sqrt(given[0])),
    "exp": Function(parameters="x", least=1, most=1, dimension=pure, compute=lambda given: math.exp(given[0])),
    "log": Function(parameters="x", least=1, most=1, dimension=pure, compute=lambda given: math.log(given[0])),
    "min": Function(parameters="x, y, ...", least=2, most=_MOST, dimension=alike, compute=min),
    "max": Function(parameters="x, y, ...", least=2, most=_MOST, dimension=alike, compute=max),
    "clip": Function(parameters="x, low, high", least=3, most=3, dimension=alike, compute=_clip),
    **TRADE_FUNCTIONS,
}
"""Every function but those with a memory (over the day, over running water), by name."""
