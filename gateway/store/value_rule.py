"""How the value of a tag follows from its registers, found by trying. Pure.

Registers are kept as read; a value that can be computed from them exactly need
not be kept a second time. A rule says how to read the registers as a number
and which line leads from it to the value; what is left over is counted in
steps of the last binary place and kept, so that every value comes back bit
for bit whatever the rule is.
"""

import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum
from functools import cache

Words = tuple[int, ...]

_DOUBLE = struct.Struct(">d")
_INT64 = struct.Struct(">q")
_FLOATS = {4: struct.Struct(">f"), 8: _DOUBLE}
_LETTERS = {4: ("I", "f"), 8: ("Q", "d")}  # of the same octets as a whole and as a floating-point number, for struct
_LOWER_63 = 0x7FFF_FFFF_FFFF_FFFF
_FLOAT_BYTES = 8
_LONGEST_NUMBER_BYTES = 16
_TRIED = 12  # readings that a rule is tried on
_PAUSE = 15  # times a tag without a rule is passed over until one is looked for again
LITTLE = 63  # steps that fit into one octet
_RULE_BYTES = 18  # what a rule of its own costs in a chunk, about


class Order(IntEnum):
    """Order of the octets in the registers; letters as the trade writes them for two registers."""

    ABCD = 0
    CDAB = 1
    BADC = 2
    DCBA = 3


class Kind(IntEnum):
    """What the octets are."""

    UNSIGNED = 0
    SIGNED = 1
    FLOAT = 2


_HIGH_BYTE_FIRST = (Order.ABCD, Order.CDAB)  # one register has no order but that of its octets
_BACKWARDS = (Order.CDAB, Order.DCBA)


@dataclass(frozen=True, slots=True)
class Rule:
    """``value = number * scale + offset``, the number read from the registers by order and kind."""

    order: Order
    kind: Kind
    scale: float
    offset: float

    def value(self, words: Words) -> float:
        """What the rule makes of registers; 0 where that is no finite number."""
        number = _number(words, self.order, self.kind)
        value = math.nan if number is None else number * self.scale + self.offset
        return value if math.isfinite(value) else 0.0

    def values(self, numbers: Sequence[int], length: int) -> list[float]:
        """The same of a whole column, each of so many registers, given as the numbers that ``whole`` makes of them."""
        found = _column(numbers, 2 * length, self.kind)
        line = [number * self.scale + self.offset for number in found]
        return line if all(map(math.isfinite, line)) else [value if math.isfinite(value) else 0.0 for value in line]


def whole(words: Words, order: Order) -> int:
    """Registers as one unsigned number, so that neighbours in value are neighbours here."""
    if len(words) == 1 and order in _HIGH_BYTE_FIRST:  # as most tags are
        return words[0]
    return int.from_bytes(_ordered(words, order))


def wholes(column: Sequence[Words], length: int, order: Order) -> Sequence[int]:
    """``whole`` of a column, each of so many registers."""
    if length == 1 and order in _HIGH_BYTE_FIRST:
        return [words[0] for words in column]
    if 2 * length not in _LETTERS:
        return [whole(words, order) for words in column]
    registers = [register for words in column for register in (words[::-1] if order in _BACKWARDS else words)]
    octets = struct.pack(f"{'>' if order in _HIGH_BYTE_FIRST else '<'}{len(registers)}H", *registers)
    return struct.unpack(f">{len(column)}{_LETTERS[2 * length][0]}", octets)


def words_of(numbers: Sequence[int], length: int, order: Order) -> list[Words]:
    """Undo ``whole``, of a whole column of so many registers each.

    Raises:
        OverflowError: a number does not fit into so many registers.
    """
    if length == 0:
        return [() for _ in numbers]
    octets = b"".join([number.to_bytes(2 * length) for number in numbers])
    first = ">" if order in _HIGH_BYTE_FIRST else "<"
    registers = struct.unpack(f"{first}{length * len(numbers)}H", octets)
    places = range(length) if order in (Order.ABCD, Order.BADC) else reversed(range(length))
    return list(zip(*(registers[place::length] for place in places), strict=True))


def steps_between(predicted: float, value: float) -> int:
    """How many floating-point numbers away the value is from what the rule says; bijective for every value."""
    if value == predicted and value:  # equal zeros may differ in their sign
        return 0
    return _place(value) - _place(predicted)


def stepped(predicted: float, steps: int) -> float:
    """Undo ``steps_between``.

    Raises:
        struct.error: there is no number so far away.
    """
    place = _place(predicted) + steps
    (value,) = _DOUBLE.unpack(_INT64.pack(place if place >= 0 else place ^ _LOWER_63))
    return float(value)


class KnownRules:
    """Rules found before, tag by tag: a tag is read and scaled today as it was yesterday."""

    def __init__(self) -> None:
        self._rules: dict[str, Rule] = {}
        self._pause: dict[str, int] = {}  # of tags for which plain values were cheaper

    def known(self, tag: str) -> Rule | None:
        """The rule that was found last for the tag, whether it still fits or not."""
        return self._rules.get(tag)

    def find(self, tag: str, readings: Sequence[tuple[Words, float]]) -> Rule | None:
        """The rule known of the tag as long as what it leaves to keep is little, else the best that is found."""
        known = self._rules.get(tag)
        if known is not None and all(
            abs(steps_between(known.value(words), value)) <= LITTLE for words, value in readings
        ):
            return known
        pause = self._pause.pop(tag, 0)
        found = find_rule(readings) if pause == 0 else None
        if found is None:
            self._pause[tag] = _PAUSE if pause == 0 else pause - 1
        else:
            self._rules[tag] = found
        return found


def find_rule(readings: Sequence[tuple[Words, float]]) -> Rule | None:
    """The rule that leaves least to keep for these readings of one tag; None where plain values are cheaper."""
    best, best_cost = None, float(_FLOAT_BYTES * len(readings))
    tried = readings[:: len(readings) // _TRIED + 1]  # a rule that does not fit the others costs bytes, never a value
    for rule, own_bytes in _candidates(tried):
        left = [steps_between(rule.value(words), value) for words, value in tried]
        if not any(left) and own_bytes == 0:
            return rule
        cost = own_bytes + sum(_octets(steps) for steps in left) * len(readings) / len(tried)
        if cost < best_cost:
            best, best_cost = rule, cost
    return best


def _octets(steps: int) -> int:
    return steps.bit_length() // 7 + 1 if steps else 0


def _candidates(readings: Sequence[tuple[Words, float]]) -> Iterator[tuple[Rule, int]]:
    """Rules to try with what each costs; the plain and usual ones first, which cost nothing."""
    numbered = []
    for way in _numbered(readings):  # one after the other: the first of them often fits
        numbered.append(way)
        yield Rule(way[0], way[1], 1.0, 0.0), 0
    for order, kind, numbers in numbered:
        for scale, offset in _lines(numbers, [value for _, value in readings]):
            shared = offset == 0.0 and float(f"{scale:.1g}") == scale  # 0.1, 0.01: many tags use the same
            yield Rule(order, kind, scale, offset), 0 if shared else _RULE_BYTES


def _numbered(readings: Sequence[tuple[Words, float]]) -> Iterator[tuple[Order, Kind, list[float]]]:
    for order, kind in _ways(max(len(words) for words, _ in readings)):
        numbers = [_number(words, order, kind) for words, _ in readings]
        finite = [number for number in numbers if number is not None and math.isfinite(number)]
        if len(finite) == len(readings):
            yield order, kind, finite


@cache
def _ways(length: int) -> tuple[tuple[Order, Kind], ...]:
    orders = (Order.ABCD, Order.BADC) if length == 1 else tuple(Order)
    kinds = (Kind.UNSIGNED, Kind.SIGNED) if 2 * length not in _FLOATS else (Kind.FLOAT, Kind.UNSIGNED, Kind.SIGNED)
    return tuple((order, kind) for kind in kinds for order in orders)


def _lines(numbers: list[float], values: list[float]) -> Iterator[tuple[float, float]]:
    """Lines through the lowest and the highest point, or through zero when there is one point only."""
    low, high = min(range(len(numbers)), key=numbers.__getitem__), max(range(len(numbers)), key=numbers.__getitem__)
    if numbers[high] != 0:
        yield _short(values[high] / numbers[high]), 0.0
    if numbers[low] != numbers[high]:
        scale = (values[high] - values[low]) / (numbers[high] - numbers[low])
        offset = values[low] - scale * numbers[low]
        yield _short(scale), _short(offset)
        yield scale, offset


def _short(number: float) -> float:
    return float(f"{number:.6g}")


def _number(words: Words, order: Order, kind: Kind) -> float | None:
    if kind is Kind.UNSIGNED and len(words) == 1 and order in _HIGH_BYTE_FIRST:
        return float(words[0])
    octets = _ordered(words, order)
    if kind is Kind.FLOAT:
        layout = _FLOATS.get(len(octets))
        return None if layout is None else float(layout.unpack(octets)[0])
    if len(octets) > _LONGEST_NUMBER_BYTES:
        return None
    return float(int.from_bytes(octets, signed=kind is Kind.SIGNED))


def _column(numbers: Sequence[int], size: int, kind: Kind) -> Sequence[float]:
    """What the octets of a column are, so many each; NaN where they are nothing of that kind."""
    if size > _LONGEST_NUMBER_BYTES or (kind is Kind.FLOAT and size not in _LETTERS):
        return [math.nan] * len(numbers)
    if kind is Kind.FLOAT:
        one, other = _LETTERS[size]
        octets = struct.pack(f">{len(numbers)}{one}", *numbers)
        return struct.unpack(f">{len(numbers)}{other}", octets)
    if kind is Kind.SIGNED:
        span = 1 << 8 * size
        return [number - span if 2 * number >= span else number for number in numbers]
    return numbers


def _ordered(words: Words, order: Order) -> bytes:
    registers = words[::-1] if order in _BACKWARDS else words
    return _swapped(struct.pack(f">{len(registers)}H", *registers), order)


def _swapped(octets: bytes, order: Order) -> bytes:
    if order in _HIGH_BYTE_FIRST:
        return octets
    swapped = bytearray(octets)
    swapped[0::2], swapped[1::2] = octets[1::2], octets[0::2]
    return bytes(swapped)


def _place(value: float) -> int:
    """Place of a number in the row of all floating-point numbers."""
    (bits,) = _INT64.unpack(_DOUBLE.pack(value))
    return int(bits if bits >= 0 else bits ^ _LOWER_63)
