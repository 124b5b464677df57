"""Which registers hold the value on the display? Pure.

Tries every type, byte order and simple scale at every address, keeps what fits
all anchors (an anchor is what the display showed, and the registers at that
moment), and ranks it. Decides nothing for good: a short number fits many places
by chance, and several decodes can give the same number at every anchor. Those
are told as equals, the natural one first.

The rank is a sum of prices in bits, each bit halving the odds: how unusual type,
byte order and scale are, and how the words around read if this is right
(``plausibility``).
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal, InvalidOperation
from typing import Final

from gateway.configuration.schema import ByteOrder
from gateway.drivers.driver import Table
from gateway.drivers.modbus.codec import Encoding, words
from gateway.probe.plausibility import ORDER_BITS, ORDERS, TYPE_BITS, Number, Run, Tiling, priced, tiling

LONGEST_DISPLAY = 20
CLEAR_BITS, LIKELY_BITS = 10.0, 3.0

SCALE_BITS: Final[Mapping[int, float]] = {0: 1.0, -1: 1.0, -2: 1.5, -3: 2.5, -4: 6.0, 1: 5.0, 2: 7.0, 3: 7.0}
"""Price of a whole number times ten to the power of."""
FLOAT_SCALE_BITS: Final[Mapping[int, float]] = {0: 0.3, -3: 7.0, 3: 7.0, -2: 7.5, 2: 7.5, -1: 9.0, 1: 9.0, -4: 11.0}
"""The same for floats, which seldom need a scale: another unit, per cent."""
_LOOP_BITS = 3.0
_ODD_BITS = 1.0
_SIGNED_BITS = -3.0  # of a signed register in a device that shows others below zero
_OFF_BITS = 3.0  # of a value at the end of the tolerance that was asked for
_EXACT = 1e-9  # binary fractions: 721 * 0.01

LOOPS: Final[Mapping[str, tuple[int, int]]] = {
    "0 to 32000 counts are 0 to 20 mA": (6_400, 32_000),
    "0 to 65535 counts are 0 to 20 mA": (13_107, 65_535),
    "0 to 65535 counts are 4 to 20 mA": (0, 65_535),
    "counts are microamperes": (4_000, 20_000),
    "0 to 27648 counts are 4 to 20 mA": (0, 27_648),
    "0 to 27648 counts are 0 to 20 mA": (5_530, 27_648),
}
"""Counts at 4 and at 20 mA of usual converters."""

_FLOATS = ("float32", "float64")
_ENCODINGS: Final = tuple(
    Encoding(kind, order) for kind in TYPE_BITS for order in (ORDERS if words(Encoding(kind)) > 1 else ("ABCD", "BADC"))
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """What the display showed, and what stood in the registers then.

    Args:
        displayed: as shown, such as ``7.21``, which means 7.205 to 7.215.
        words: registers by table and zero-based address.
        within: what the value may have moved between looking and reading, in its unit.
        value: the number shown.
        half_digit: half of the last digit shown: what rounding hides.

    Raises:
        ValueError: not a plain number.
    """

    displayed: str
    words: Mapping[Table, Mapping[int, int]]
    within: float = 0.0
    value: float = field(init=False)
    half_digit: float = field(init=False)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.within) and self.within >= 0):
            raise ValueError(f"within is {self.within:g}; 0 or more in the unit of the display is allowed")
        object.__setattr__(self, "value", float(_decimal(self.displayed)))
        object.__setattr__(self, "half_digit", 0.5 * 10.0 ** -len(self.displayed.partition(".")[2]))

    def off(self, value: float, grain: float = 0.0) -> float | None:
        """How far a value lies from the number shown; None when that is too far."""
        away = abs(value - self.value)
        allowed = self.half_digit + self.within + grain
        return away if away <= allowed * (1 + _EXACT) + abs(self.value) * _EXACT else None


def _decimal(text: str) -> Decimal:
    try:
        number = Decimal(text)
    except InvalidOperation:
        number = Decimal("NaN")
    plain = text.strip() == text and text.lstrip("-").replace(".", "", 1).isdecimal() and text.isascii()
    if not (plain and number.is_finite() and len(text) <= LONGEST_DISPLAY):
        raise ValueError(f"{text!r} is no number as a display shows it; write digits and a point, such as 7.21 or -3")
    return number


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One way to read the value.

    Args:
        table: register table.
        address: zero-based.
        encoding: type and byte order.
        power: the scale is ten to this power; 0 with a loop.
        loop: key of ``LOOPS``, empty for none.
        values: what it gives at each anchor.
        off: largest distance from what was shown.
        bits: price; one more halves the odds.
        strangeness: part of it that comes from the words around.
    """

    table: Table
    address: int
    encoding: Encoding
    power: int
    loop: str
    values: tuple[float, ...]
    off: float
    bits: float
    strangeness: float

    @property
    def end(self) -> int:
        """Address behind its last register."""
        return self.address + words(self.encoding)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A candidate with those that cannot be told from it by these anchors.

    Args:
        best: the natural one.
        equals: of the same registers, with the same value at every anchor.
        mirrors: elsewhere in the device, with the same value at every anchor.
    """

    best: Candidate
    equals: tuple[Candidate, ...] = ()
    mirrors: tuple[Candidate, ...] = ()


def candidates(anchors: Sequence[Anchor], span: tuple[float, float] | None = None) -> list[Found]:
    """Everything that fits all anchors, best first.

    Args:
        anchors: at least one; an address counts when all of them have it.
        span: bottom and top of a 4-20 mA loop in the unit of the display; None looks for no loops.

    Raises:
        ValueError: no anchor, or a span of no width.
    """
    if not anchors:
        raise ValueError("no anchor: a displayed value and registers are needed")
    if span is not None and not (all(map(math.isfinite, span)) and span[0] < span[1]):
        raise ValueError(f"the range runs from its bottom up to its top, got {span[0]:g} to {span[1]:g}")
    runs = _runs(anchors)
    fits = [one for run in runs for one in _fits(run, anchors, span)]
    return _grouped(_ranked(fits, runs))


# --- what fits ---


@dataclass(frozen=True, slots=True)
class _TableRun:
    table: Table
    run: Run


@dataclass(frozen=True, slots=True)
class _Fit:
    """A candidate before its neighbours are asked."""

    where: _TableRun
    at: int
    candidate: Candidate
    numbers: tuple[Number, ...]


def _runs(anchors: Sequence[Anchor]) -> list[_TableRun]:
    """Consecutive registers that every anchor has."""
    runs = []
    for table in (Table.HOLDING, Table.INPUT):
        shared = sorted(set.intersection(*(set(anchor.words.get(table, {})) for anchor in anchors)))
        for first, end in _stretches(shared):
            rows = tuple(tuple(anchor.words[table][at] for at in range(first, end)) for anchor in anchors)
            runs.append(_TableRun(table, Run(first, rows)))
    return runs


def _stretches(addresses: Sequence[int]) -> Iterator[tuple[int, int]]:
    starts = [at for i, at in enumerate(addresses) if i == 0 or addresses[i - 1] != at - 1]
    ends = [at + 1 for i, at in enumerate(addresses) if i + 1 == len(addresses) or addresses[i + 1] != at + 1]
    return zip(starts, ends, strict=True)


def _fits(where: _TableRun, anchors: Sequence[Anchor], span: tuple[float, float] | None) -> Iterator[_Fit]:
    for at, encoding in ((at, encoding) for at in range(where.run.length) for encoding in _ENCODINGS):
        numbers = where.run.numbers(at, encoding)
        if numbers is None:
            continue
        for power, loop, values, bits, grain in _readings(numbers, encoding, span):
            known = list(_offs(anchors, values, grain))
            if len(known) == len(anchors):
                candidate = Candidate(
                    table=where.table,
                    address=where.run.first + at,
                    encoding=encoding,
                    power=power,
                    loop=loop,
                    values=values,
                    off=max(known),
                    bits=bits + _looseness(anchors, known),
                    strangeness=0.0,
                )
                yield _Fit(where, at, candidate, numbers)


def _offs(anchors: Sequence[Anchor], values: Sequence[float], grain: float) -> Iterator[float]:
    """Distances from what was shown, up to the first anchor that a value does not fit."""
    for anchor, value in zip(anchors, values, strict=True):
        off = anchor.off(value, grain)
        if off is None:
            return
        yield off


_Reading = tuple[int, str, tuple[float, ...], float, float]


def _readings(numbers: Sequence[Number], encoding: Encoding, span: tuple[float, float] | None) -> Iterator[_Reading]:
    """Power of the scale, loop, values, price and half a count, for every scaling of a raw number."""
    prices = FLOAT_SCALE_BITS if encoding.kind in _FLOATS else SCALE_BITS
    for power, bits in prices.items():
        yield power, "", tuple(_scaled(number, power) for number in numbers), bits, 0.0
    if span is not None and encoding.kind in ("uint16", "int16"):
        for loop, (low, high) in LOOPS.items():
            step = (span[1] - span[0]) / (high - low)
            yield 0, loop, tuple(span[0] + (number - low) * step for number in numbers), _LOOP_BITS, step / 2


def _scaled(number: Number, power: int) -> float:
    return float(number * 10**power if power >= 0 else number / 10**-power)


def _looseness(anchors: Sequence[Anchor], offs: Sequence[float]) -> float:
    """Price of lying away from what was shown, where a tolerance was asked for."""
    return sum(
        _OFF_BITS * (max(0.0, off - anchor.half_digit) / anchor.within) ** 2
        for anchor, off in zip(anchors, offs, strict=True)
        if anchor.within
    )


# --- in which order ---


def _ranked(fits: Sequence[_Fit], runs: Sequence[_TableRun]) -> list[Candidate]:
    tilings = {order: [tiling(one.run, order) for one in runs] for order in ORDERS}
    totals = {order: ORDER_BITS[order] + sum(one.bits for one in tilings[order]) for order in ORDERS}
    likely = min(ORDERS, key=lambda order: totals[order])
    signed = any(one.signed for one in tilings[likely])
    ranked = []
    for fit in fits:
        place = next(i for i, one in enumerate(runs) if one is fit.where)
        whole = min(_whole(fit, tilings[order][place], totals[order]) for order in _orders_of(fit))
        bits = fit.candidate.bits + whole - totals[likely] + _habit_bits(fit.candidate, signed=signed)
        ranked.append(replace(fit.candidate, bits=bits, strangeness=whole - totals[likely]))
    return sorted(ranked, key=lambda one: (one.bits, one.table.value, one.address))


def _habit_bits(candidate: Candidate, *, signed: bool) -> float:
    if words(candidate.encoding) > 1:
        return _ODD_BITS if candidate.address % 2 else 0.0
    return _SIGNED_BITS if signed and candidate.encoding.kind == "int16" else 0.0


def _orders_of(fit: _Fit) -> tuple[ByteOrder, ...]:
    """Orders a device may have in which this candidate exists; a single register goes with any."""
    return ORDERS if words(fit.candidate.encoding) == 1 else (fit.candidate.encoding.order,)


def _whole(fit: _Fit, of_run: Tiling, total: float) -> float:
    """Bits of all registers of the device when this candidate is one of its numbers."""
    count, address = words(fit.candidate.encoding), fit.candidate.address
    inside = priced(fit.numbers, fit.candidate.encoding, address)
    return total - of_run.bits + of_run.around(fit.at, count, inside)


def _grouped(ranked: Sequence[Candidate]) -> list[Found]:
    found: list[Found] = []
    for one in ranked:
        for i, group in enumerate(found):
            if group.best.values != one.values:
                continue
            if group.best.table is one.table and one.address < group.best.end and group.best.address < one.end:
                found[i] = replace(group, equals=(*group.equals, one))
            elif any(_same_shape(other, one) for other in (group.best, *group.equals)):
                found[i] = replace(group, mirrors=(*group.mirrors, one))
            else:
                continue
            break
        else:
            found.append(Found(best=one))
    return found


def _same_shape(one: Candidate, other: Candidate) -> bool:
    return (one.encoding, one.power, one.loop) == (other.encoding, other.power, other.loop)
