"""How plausible is a reading of unknown registers? Pure.

Decides nothing about one value. It cuts a run of registers into numbers in
every possible way and finds, for each byte order, the way that can be told in
the fewest bits: small integers, moderate floats and numbers that moved little
between two readings are cheap, noise is dear. A float that is read one register
off leaves a piece of noise at one end of its neighbours and takes a status word
for its digits at the other, and that is dear. So the words around a number say
how the number itself is likely to lie. (Minimum description length: J. Rissanen,
Modeling by shortest data description, Automatica 14, 1978.)

The prices below are rough on purpose; they separate what differs by tens of
bits and leave what differs by one or two to the reader.
"""

import math
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from gateway.configuration.schema import ByteOrder, TypeName
from gateway.drivers.modbus.codec import Encoding, decode, words

ORDERS: Final[tuple[ByteOrder, ...]] = ("ABCD", "CDAB", "BADC", "DCBA")
ORDER_BITS: Final[Mapping[ByteOrder, float]] = {"ABCD": 1.0, "CDAB": 1.0, "BADC": 3.0, "DCBA": 3.0}
TYPE_BITS: Final[Mapping[TypeName, float]] = {
    "uint16": 3.0,
    "int16": 4.0,
    "uint32": 4.5,
    "float32": 4.0,
    "int32": 6.0,
    "float64": 7.0,
    "uint64": 8.0,
    "int64": 9.5,
    "bcd16": 9.0,
    "bcd32": 10.0,
    "bcd48": 12.0,
    "bcd64": 12.0,
}
"""What it costs to say that the next number is of this type: common ones are cheap."""

_TILES: Final[tuple[TypeName, ...]] = ("uint16", "int16", "uint32", "int32", "float32", "uint64", "float64")
_SWAPPED_BITS = 5.0  # a single register with its low byte first
_ODD_BITS = 0.5  # a long number at an odd address
_IDLE_WORD_BITS = 8.0  # a long integer that never needs its upper half is more likely a short one beside a zero
_SAME_BITS, _MOVED_BITS = 0.5, 2.0
_INTEGER_BITS, _BITS_PER_BINARY_DIGIT, _SIGN_BITS = 2.0, 1.3, 1.5
_MAGNITUDE_BITS, _MINUS_BITS, _ZERO_BITS = 5.0, 3.0, 3.0
_STRANGE_BITS = 8.0  # above what the bare registers cost
_SHORT_DIGITS, _BITS_PER_DECIMAL_DIGIT = 5, 3.4
_MANTISSA = {"float32": 23, "float64": 52}
_PACKED = {"float32": ">f", "float64": ">d"}
SMALLEST_SANE, LARGEST_SANE = 1e-9, 1e12
"""Magnitudes of measured values; a float beyond these is no measurement."""

_LARGEST_SIGNED = 32_767
_NO_VALUES = (-1, -32_768, 32_768, 65_535)  # by which devices say that there is none

Number = int | float


@dataclass(frozen=True, slots=True)
class Run:
    """Registers at consecutive addresses, read once or several times.

    Args:
        first: zero-based address of the first.
        readings: one row for each time, all of the same length.
    """

    first: int
    readings: tuple[tuple[int, ...], ...]
    _known: dict[tuple[int, Encoding], tuple[Number, ...] | None] = field(default_factory=dict, compare=False)

    @property
    def length(self) -> int:
        """Registers in the run."""
        return len(self.readings[0])

    def numbers(self, at: int, encoding: Encoding) -> tuple[Number, ...] | None:
        """The number ``at`` registers from the first, once for each reading; None where it does not exist."""
        key = (at, encoding)
        if key not in self._known:
            self._known[key] = self._decoded(at, encoding)
        return self._known[key]

    def _decoded(self, at: int, encoding: Encoding) -> tuple[Number, ...] | None:
        end = at + words(encoding)
        if end > self.length:
            return None
        try:
            return tuple(_number(row[at:end], encoding) for row in self.readings)
        except ValueError:  # no BCD
            return None


def _number(registers: Sequence[int], encoding: Encoding) -> Number:
    number = decode(registers, encoding)
    assert not isinstance(number, str)  # noqa: S101 - no string is asked for
    return number


def sane(number: Number) -> bool:
    """Whether a number may be a measured value: zero, or neither vanishing nor astronomic, and finite."""
    return number == 0 or SMALLEST_SANE <= abs(number) <= LARGEST_SANE


def bits_of(numbers: Sequence[Number], encoding: Encoding, address: int) -> float:
    """Bits it takes to tell a number of this encoding, at all times it was read."""
    kind = encoding.kind
    told = sum(_moved(old, new, encoding) for old, new in pairwise(numbers))
    odd = _ODD_BITS if words(encoding) > 1 and address % 2 else 0.0
    if kind in _MANTISSA:
        return TYPE_BITS[kind] + odd + told + _float(numbers[0], kind)
    idle = _IDLE_WORD_BITS if words(encoding) > 1 and _upper_half_idle(numbers, encoding) else 0.0
    return TYPE_BITS[kind] + odd + told + idle + _integer(numbers[0], encoding)


def _upper_half_idle(numbers: Sequence[Number], encoding: Encoding) -> bool:
    half = 1 << 8 * words(encoding)
    return all(-half // 2 <= number < half for number in numbers)


def _integer(number: Number, encoding: Encoding) -> float:
    sign = _SIGN_BITS if number < 0 else 0.0
    return sign + _INTEGER_BITS + min(_BITS_PER_BINARY_DIGIT * math.log2(1 + abs(number)), 16.0 * words(encoding))


def _float(number: Number, kind: TypeName) -> float:
    if number == 0:
        return _ZERO_BITS
    if not sane(number):
        return _STRANGE_BITS + 16.0 * (2 if kind == "float32" else 4)
    minus = _MINUS_BITS if number < 0 else 0.0
    return _MAGNITUDE_BITS + minus + min(_binary_digits(number, kind), _decimal_digits(number, kind))


def _binary_digits(number: Number, kind: TypeName) -> float:
    """Digits of the mantissa up to its last one that is set."""
    mantissa = int.from_bytes(struct.pack(_PACKED[kind], number), "big") & ((1 << _MANTISSA[kind]) - 1)
    trailing = (mantissa & -mantissa).bit_length() - 1 if mantissa else _MANTISSA[kind]
    return 1.0 + _MANTISSA[kind] - trailing


def _decimal_digits(number: Number, kind: TypeName) -> float:
    """The same for a number that somebody has typed in, such as 12.35."""
    text = f"{number:.{_SHORT_DIGITS}g}"
    packed = struct.pack(_PACKED[kind], float(text))
    if packed != struct.pack(_PACKED[kind], number):
        return math.inf
    digits = text.partition("e")[0].replace(".", "").replace("-", "").strip("0")
    return 2.0 + _BITS_PER_DECIMAL_DIGIT * len(digits)


def _moved(old: Number, new: Number, encoding: Encoding) -> float:
    if old == new or (old != old and new != new):  # noqa: PLR0124 - NaN stays NaN
        return _SAME_BITS
    kind, longest = encoding.kind, 16.0 * words(encoding)
    if kind not in _MANTISSA:
        return _MOVED_BITS + 1.0 + min(_BITS_PER_BINARY_DIGIT * math.log2(1 + abs(new - old)), longest)
    if not (sane(old) and sane(new)):
        return _MOVED_BITS + longest
    share = abs(new - old) / max(abs(new), abs(old))
    return _MOVED_BITS + 1.0 + max(1.0, min(longest, _MANTISSA[kind] + math.log2(share)))


@dataclass(frozen=True, slots=True)
class Tiling:
    """The cheapest way to cut a run into numbers, if long ones lie in one byte order.

    Args:
        before: for each place, bits of everything before it.
        after: for each place, bits of everything from it on.
        signed: whether its single registers are signed: some below zero, none too large for it.
    """

    before: tuple[float, ...]
    after: tuple[float, ...]
    signed: bool

    @property
    def bits(self) -> float:
        """Bits of the whole run."""
        return self.after[0]

    def around(self, at: int, count: int, inside: float) -> float:
        """Bits of the whole run when one number is given: ``count`` registers from ``at``, told in ``inside`` bits."""
        return self.before[at] + inside + self.after[at + count]


@dataclass(frozen=True, slots=True)
class _Tile:
    count: int
    bits: float
    encoding: Encoding
    numbers: tuple[Number, ...]


def tiling(run: Run, order: ByteOrder) -> Tiling:
    """The cheapest cut of a run under a byte order."""
    tiles = [list(_tiles(run, at, order)) for at in range(run.length)]
    before = [0.0] + [math.inf] * run.length
    after = [math.inf] * run.length + [0.0]
    for at, choice in enumerate(tiles):
        for tile in choice:
            before[at + tile.count] = min(before[at + tile.count], before[at] + tile.bits)
    cut: dict[int, _Tile] = {}
    for at in reversed(range(run.length)):
        cut[at] = min(tiles[at], key=lambda tile: tile.bits + after[at + tile.count])
        after[at] = cut[at].bits + after[at + cut[at].count]
    return Tiling(tuple(before), tuple(after), signed=_shows_signed(cut, run.length))


def _tiles(run: Run, at: int, order: ByteOrder) -> Iterator[_Tile]:
    """The numbers that may begin there."""
    for encoding in _ENCODINGS[order]:
        numbers = run.numbers(at, encoding)
        if numbers is not None:
            yield _Tile(words(encoding), priced(numbers, encoding, run.first + at), encoding, numbers)


def _shows_signed(cut: Mapping[int, _Tile], length: int) -> bool:
    """Whether single registers of the cut go below zero, and none needs to be unsigned."""
    at, lowest = 0, 0.0
    while at < length:
        if cut[at].encoding.kind in _TILES[:2]:
            lowest = min(0, lowest, *(number for number in cut[at].numbers if number not in _NO_VALUES))
            if any(number > _LARGEST_SIGNED and number not in _NO_VALUES for number in cut[at].numbers):
                return False
        at += cut[at].count
    return lowest < 0


def priced(numbers: Sequence[Number], encoding: Encoding, address: int) -> float:
    """``bits_of``, and what is unusual about a single register with its low byte first."""
    swapped = words(encoding) == 1 and encoding.order in ("BADC", "DCBA")
    return bits_of(numbers, encoding, address) + (_SWAPPED_BITS if swapped else 0.0)


def _encodings(order: ByteOrder) -> tuple[Encoding, ...]:
    """Numbers of a device of this order; single registers are mostly high byte first whatever the long ones are."""
    singles = [Encoding(kind, "ABCD") for kind in _TILES[:2]]
    swapped = [Encoding(kind, "BADC") for kind in _TILES[:2]] if order in ("BADC", "DCBA") else []
    return (*singles, *swapped, *(Encoding(kind, order) for kind in _TILES[2:]))


_ENCODINGS: Final = {order: _encodings(order) for order in ORDERS}
