"""Columns of whole numbers in few octets. Pure.

An unsigned number is written seven bits an octet, lowest first, the high bit
meaning that more follow; a signed one is folded first (0, -1, 1, -2 ... become
0, 1, 2, 3 ...). A column says first whether all its numbers are equal.
"""

import struct
from collections.abc import Iterator, Sequence
from itertools import accumulate

from gateway.store.errors import ChunkDamaged

_MOST_BITS = 2_100  # of one number, in 300 octets: more than the 125 registers of one read
_MORE = 0x80  # set in every octet of a number but its last
_LOWER_7 = 0x7F
_NOT_LAST = bytes(range(_MORE, 256))
_MOST_ITEMS = 1_000_000  # of one column
_DOUBLE = struct.Struct("<d")


def fold(number: int) -> int:
    """A signed number as an unsigned one, small where the number is near zero."""
    return number << 1 if number >= 0 else (-number << 1) - 1


def unfold(number: int) -> int:
    """Undo ``fold``."""
    return -((number + 1) >> 1) if number & 1 else number >> 1


_UNFOLDED = bytes(unfold(octet) & 0xFF for octet in range(256))  # of an octet, as a signed octet


class ColumnWriter:
    """Collects columns; ``octets`` has the result."""

    def __init__(self) -> None:
        self.octets = bytearray()

    def count(self, number: int) -> None:
        """One unsigned number."""
        while number >= _MORE:
            self.octets.append(number & _LOWER_7 | _MORE)
            number >>= 7
        self.octets.append(number)

    def column(self, numbers: Sequence[int]) -> None:
        """Signed numbers; how many there are the reader has to know."""
        if len(set(numbers)) <= 1:
            self.count(0)
            self.count(fold(numbers[0]) if numbers else 0)
            return
        self.count(1)
        folded = [number << 1 if number >= 0 else (-number << 1) - 1 for number in numbers]  # fold(), many times
        if max(folded) < _MORE:  # one octet each, the usual case
            self.octets += bytes(folded)
            return
        append = self.octets.append
        for left in folded:  # count(), many times
            rest = left
            while rest >= _MORE:
                append(rest & _LOWER_7 | _MORE)
                rest >>= 7
            append(rest)

    def steps(self, numbers: Sequence[int]) -> None:
        """Signed numbers near their predecessor."""
        self.column([here - before for before, here in zip((0, *numbers), numbers, strict=False)])

    def text(self, text: str) -> None:
        """A text with its length."""
        encoded = text.encode()
        self.count(len(encoded))
        self.octets += encoded

    def doubles(self, numbers: Sequence[float]) -> None:
        """Floating-point numbers as they are, eight octets each."""
        for number in numbers:
            self.octets += _DOUBLE.pack(number)


class ColumnReader:
    """Reads what ``ColumnWriter`` wrote, in the same order.

    Raises (every method):
        ChunkDamaged: the octets end too early or make no sense.
    """

    def __init__(self, octets: bytes) -> None:
        self._octets = octets
        self._at = 0

    def count(self) -> int:
        """One unsigned number."""
        return self._unsigned(1)[0]

    def items(self) -> int:
        """An unsigned number that says how many items follow."""
        number = self.count()
        if number > _MOST_ITEMS:
            raise ChunkDamaged(f"{number} items announced, {_MOST_ITEMS} is the most a chunk may hold")
        return number

    def column(self, length: int) -> list[int]:
        """Signed numbers."""
        if self.count() == 0:
            return [unfold(self.count())] * length
        return [unfold(self.count()), *self._signed(length - 1)]  # the first of steps is far from the others

    def steps(self, length: int) -> list[int]:
        """Signed numbers near their predecessor."""
        return list(accumulate(self.column(length)))

    def parts(self, length: int, wanted: Sequence[tuple[int, int]]) -> list[list[int]]:
        """Signed numbers, of which only some are looked at.

        Args:
            length: of the whole column.
            wanted: begin and end of each stretch, in order and apart.
        """
        if self.count() == 0:
            number = unfold(self.count())
            return [[number] * (end - begin) for begin, end in wanted]
        found, at = [], 0
        for begin, end in wanted:
            self._pass(begin - at)
            found.append(self._signed(end - begin) if end > begin else [])
            at = end
        self._pass(length - at)
        return found

    def text(self) -> str:
        """A text with its length."""
        try:
            return self.octets(self.count()).decode()
        except UnicodeDecodeError as error:
            raise ChunkDamaged(f"a text before octet {self._at} is none: {error}") from error

    def doubles(self, length: int) -> list[float]:
        """Floating-point numbers."""
        return [number for (number,) in _DOUBLE.iter_unpack(self.octets(length * _DOUBLE.size))]

    def octets(self, size: int) -> bytes:
        """So many octets as they are."""
        taken = self._octets[self._at : self._at + size]
        if len(taken) != size:
            raise ChunkDamaged(f"{size} octets announced at {self._at}, {len(taken)} are there")
        self._at += size
        return taken

    def _pass(self, left: int) -> None:
        """Go on by so many numbers: each octet without the high bit ends one."""
        while left > 0:
            octets = self.octets(left)  # so many numbers have at least so many octets
            left -= len(octets.translate(None, _NOT_LAST))

    def _signed(self, length: int) -> list[int]:
        plain = self._octets[self._at : self._at + length]
        if len(plain) == length and plain.isascii():  # one octet each, the usual case, without a loop over numbers
            self._at += length
            return memoryview(plain.translate(_UNFOLDED)).cast("b").tolist()
        return [number >> 1 ^ -(number & 1) for number in self._unsigned(length)]  # unfold(), many times

    def _unsigned(self, length: int) -> list[int]:
        """At least one number. The further octets of a long one are taken from under the outer loop."""
        numbers: list[int] = []
        octets, more = iter(memoryview(self._octets)[self._at :]), 0
        for number in octets:
            if number < _MORE:
                numbers.append(number)
            else:
                long, shift = _long(number, octets)
                numbers.append(long)
                more += shift
            if len(numbers) == length:
                self._at += length + more
                return numbers
        raise ChunkDamaged(f"a number after octet {self._at} does not end")

    def finish(self) -> None:
        """Nothing may be left."""
        if self._at != len(self._octets):
            raise ChunkDamaged(f"{len(self._octets) - self._at} octets are left over")


def _long(first: int, octets: Iterator[int]) -> tuple[int, int]:
    """A number of more than one octet, and how many more."""
    number, shift = first & _LOWER_7, 7
    for octet in octets:
        number |= (octet & _LOWER_7) << shift
        if octet < _MORE:
            return number, shift // 7
        shift += 7
        if shift == _MOST_BITS:
            break
    raise ChunkDamaged("a number does not end")
