"""Readings that stand for all others: one for each thing that a condition can tell apart.

A condition cannot tell two readings on the same side of its limits from each other, so a few are enough: exactly at
the limit, just beyond it, exactly at the end of the deadband, clipped. Where a condition looks at a calculated tag,
readings of its inputs are searched that bring the result to each side. Decides nothing about the plant.
"""

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

from gateway.core.calculation import CalculationRule
from gateway.core.condition import (
    BitSet,
    Condition,
    Deviation,
    Equals,
    Limit,
    NoChange,
    Rate,
    Side,
    StateLimit,
    tags_of,
)
from gateway.core.interlock import InterlockRule
from gateway.core.quality import Quality, Reason
from gateway.core.sample import Number
from gateway.core.scaling import Scaling
from gateway.prove.telling import Clear, Told, told

Values = Mapping[str, Number]

_STILL = Number(1.0, Quality.UNCERTAIN)  # of a tag that is asked whether it moves: it stands still
_GRID = 9  # readings over a range, where what matters is what is computed from them
_SEARCHED = 60_000  # combinations at most
_FINE = 1e-3


def leaves(tag: str, calculations: Mapping[str, CalculationRule]) -> tuple[str, ...]:
    """The tags that are read from devices and from which a tag comes; itself when it is read."""
    if tag not in calculations:
        return (tag,)
    found = [leaf for one in calculations[tag].inputs for leaf in leaves(one, calculations)]
    return tuple(dict.fromkeys(found))


def conditions_of(interlocks: Iterable[InterlockRule]) -> Iterator[Condition]:
    """Every condition that votes."""
    return (one for rule in interlocks for cause in rule.causes for one in cause.inputs)


def candidates(
    tag: str,
    conditions: Sequence[Condition],
    calculations: Mapping[str, CalculationRule],
    scaling: Scaling | None,
) -> list[Number]:
    """Readings of one tag that might be told apart, those at the edges first."""
    values: list[float] = []
    computed = False
    for one in conditions:
        named = tags_of(one)
        if tag in named:
            values += _edges(one)
        elif any(tag in leaves(name, calculations) for name in named):
            computed = True
    if computed or not values:
        values += _over_the_range(scaling)
    low, high = (None, None) if scaling is None else (scaling.range_low, scaling.range_high)
    found = [
        Number(round(value, 9))
        for value in dict.fromkeys(values)
        if (low is None or value >= low) and (high is None or value <= high)
    ]
    if scaling is not None and scaling.clips_at_top and high is not None:
        found.append(Number(high, Quality.UNCERTAIN, Reason.OVER_RANGE))
    if scaling is not None and scaling.clips_at_bottom and low is not None:
        found.append(Number(low, Quality.UNCERTAIN, Reason.UNDER_RANGE))
    return found or [Number(1.0)]


def _edges(condition: Condition) -> list[float]:  # noqa: PLR0911 - one line a kind
    match condition:
        case Limit():
            return _edges_of_limit(condition)
        case StateLimit():
            limits = [condition.base.limit, *(other.limit for other in condition.others)]
            found = [edge for limit in limits for edge in _around(limit, condition.base.deadband, condition.base.side)]
            return [*found, *(value for other in condition.others for value in (other.equals, other.equals + 1))]
        case Equals():
            return [condition.value, 1.0 if condition.value == 0 else 0.0]
        case BitSet():
            return [0.0, float(condition.mask & -condition.mask), float(condition.mask)]
        case Deviation():
            return [
                0.0,
                condition.limit,
                condition.limit + _step(condition.limit),
                condition.limit - condition.deadband,
            ]
        case Rate():
            return [0.0]
        case _:
            return [0.0, 1.0]


def _edges_of_limit(limit: Limit) -> list[float]:
    return _around(limit.limit, limit.deadband, limit.side)


def _around(limit: float, deadband: float, side: Side) -> list[float]:
    """At the limit, just beyond it, the end of the deadband, inside the deadband, far off on both sides."""
    sign = 1.0 if side is Side.HIGH else -1.0
    fine = _step(limit)
    far = max(abs(limit), 1.0)
    clear = limit - sign * deadband
    return [limit, limit + sign * fine, clear, limit - sign * deadband / 2, clear - sign * fine, limit - sign * far]


def _step(limit: float) -> float:
    return max(abs(limit), 1.0) * _FINE


def _over_the_range(scaling: Scaling | None) -> list[float]:
    if scaling is not None and scaling.states:
        return [float(one) for one in scaling.states]
    low = 0.0 if scaling is None or scaling.range_low is None else scaling.range_low
    high = low + 1.0 if scaling is None or scaling.range_high is None else scaling.range_high
    linear = [low + (high - low) * place / (_GRID - 1) for place in range(_GRID)]
    fine = [low + (high - low) * 10.0**-power for power in (1.2, 1.6, 2.2)]
    return [*linear, *fine]


def at_rest(
    interlocks: Sequence[InterlockRule],
    tags: Sequence[str],
    calculations: Mapping[str, CalculationRule],
    scalings: Mapping[str, Scaling],
) -> dict[str, Number]:
    """Readings of all tags at which no cause stands; the best that was found where there are none."""
    conditions = list(conditions_of(interlocks))
    choices = {tag: candidates(tag, conditions, calculations, scalings.get(tag)) for tag in tags}
    values = {tag: found[0] for tag, found in choices.items()}
    best = _standing(interlocks, values, calculations)
    for _ in range(4):
        before = best
        for tag, found in choices.items():
            for one in found:
                score = _standing(interlocks, {**values, tag: one}, calculations)
                if score < best:
                    best, values = score, {**values, tag: one}
        if best == before and (best[0] == 0 or not _jolted(choices, values)):
            break
    return values


def _jolted(choices: Mapping[str, Sequence[Number]], values: dict[str, Number]) -> bool:
    """Move every computed-with tag to the middle of its choices, to leave a corner."""
    for tag, found in choices.items():
        values[tag] = found[len(found) // 2]
    return True


def standing(
    interlocks: Sequence[InterlockRule], values: Values, calculations: Mapping[str, CalculationRule]
) -> tuple[bool, ...]:
    """Of each interlock, whether a cause stands at these readings; stillness does where it is still."""
    return tuple(
        any(
            sum(
                told(one, values, calculations) is Told.IN or (isinstance(one, NoChange) and values[one.tag] == _STILL)
                for one in cause.inputs
            )
            >= cause.needed
            for cause in rule.causes
        )
        for rule in interlocks
    )


def _standing(
    interlocks: Sequence[InterlockRule], values: Values, calculations: Mapping[str, CalculationRule]
) -> tuple[int, int]:
    """How many causes stand, and how many inputs are not clear."""
    causes = inputs = 0
    for rule in interlocks:
        for cause in rule.causes:
            says = [told(one, values, calculations) for one in cause.inputs]
            causes += sum(one is Told.IN for one in says) >= cause.needed
            inputs += sum(one not in Clear for one in says)
    return causes, inputs


def vectors(
    interlocks: Sequence[InterlockRule],
    moving: Sequence[str],
    resting: Values,
    calculations: Mapping[str, CalculationRule],
    scalings: Mapping[str, Scaling],
) -> list[tuple[Number, ...]]:
    """Joint readings of the tags that move, one for each thing that the conditions together can tell apart."""
    conditions = list(conditions_of(interlocks))
    choices = [candidates(tag, conditions, calculations, scalings.get(tag)) for tag in moving]
    size = math.prod(len(one) for one in choices)
    stride = max(1, size // _SEARCHED)
    found: dict[tuple[Told | Reason, ...], tuple[Number, ...]] = {}
    rest = tuple(resting[tag] for tag in moving)
    found[_signature(conditions, moving, rest, resting, calculations)] = rest
    for one in itertools.islice(itertools.product(*choices), 0, None, stride):
        found.setdefault(_signature(conditions, moving, one, resting, calculations), one)
    answers = list(found.values())
    still = {one.tag for one in conditions if isinstance(one, NoChange)}
    stands = tuple(_STILL if tag in still else number for tag, number in zip(moving, rest, strict=True))
    return [*answers, stands] if stands != rest else answers


def _signature(
    conditions: Sequence[Condition],
    moving: Sequence[str],
    readings: Sequence[Number],
    resting: Values,
    calculations: Mapping[str, CalculationRule],
) -> tuple[Told | Reason, ...]:
    values = {**resting, **dict(zip(moving, readings, strict=True))}
    clipped = tuple(number.reason for number in readings)
    return (*(told(one, values, calculations) for one in conditions), *clipped)


def wanted(condition: Condition) -> list[tuple[str, Number]]:
    """Readings at which a condition surely holds; none where that takes more than a reading."""
    match condition:
        case Equals():
            return [(condition.tag, Number(condition.value))]
        case BitSet():
            return [(condition.tag, Number(float(condition.mask)))]
        case Limit():
            sign = 1.0 if condition.side is Side.HIGH else -1.0
            return [(condition.tag, Number(condition.limit + sign * _step(condition.limit)))]
        case _:
            return []
