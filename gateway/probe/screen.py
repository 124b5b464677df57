"""Registers on a terminal: every decode of the same words side by side. Pure.

Decides layout only. As many groups of columns stand beside each other as the
width allows, the rest below. A number that can be no measurement (vanishing,
astronomic, not a number) is shown short, so that the eye finds the sane one.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from gateway.configuration.schema import TypeName
from gateway.drivers.modbus.codec import Encoding, decode, words
from gateway.probe.plausibility import LARGEST_SANE, ORDERS, SMALLEST_SANE, sane
from gateway.probe.registers import Registers

_BITS_A_LINE = 16
_GAP = "  "
_CHANGED = "*"
_NO_BCD = "-"
_ALL_ZERO = "all zero"
_LONGEST_NUMBER = 4  # registers
_INTEGER_DIGITS = 12
_FLOAT_DIGITS = {"float32": 7, "float64": 10}

Cell = Callable[[int], str]
"""Text for an address; empty where there is nothing to show."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What is shown, and how.

    Args:
        groups: names of ``GROUPS``, in order.
        width: characters of a line.
        counts_from: number that the manual gives to address 0; None shows none.
        scale: what whole numbers are multiplied by.
    """

    groups: Sequence[str]
    width: int
    counts_from: int | None = None
    scale: float = 1.0


@dataclass(frozen=True, slots=True)
class _Column:
    title: str
    width: int
    cell: Cell
    left: bool = False

    def head(self) -> str:
        return self.title.ljust(self.width) if self.left else self.title.rjust(self.width)

    def text(self, address: int) -> str:
        text = self.cell(address)
        return text.ljust(self.width) if self.left else text.rjust(self.width)


_NUMBERS: Final[Mapping[str, tuple[TypeName, int]]] = {
    "f32": ("float32", 12),
    "u32": ("uint32", 12),
    "i32": ("int32", 12),
    "f64": ("float64", 15),
    "u64": ("uint64", 14),
    "i64": ("int64", 14),
}
GROUPS: Final = ("words", *_NUMBERS)
USUAL_GROUPS: Final = ("words", "f32", "u32", "i32", "f64", "u64")


def register_table(found: Registers, view: View, changed: frozenset[int] = frozenset()) -> str:
    """Registers with their decodes; words that changed carry a star.

    Args:
        found: what was read.
        view: what is shown.
        changed: addresses whose word is another one than the last time.
    """
    front = _front(view, changed)
    groups = [_group(name, found.words, view.scale) for name in view.groups if found.words]
    tables = [_table(front, columns, found, changed) for columns in _side_by_side(front, groups, view.width)]
    return "\n\n".join("\n".join(lines) for lines in tables)


def _side_by_side(front: Sequence[_Column], groups: Sequence[list[_Column]], width: int) -> Iterator[list[_Column]]:
    """The groups that fit beside each other, table by table; one group is never cut."""
    taken: list[_Column] = []
    for group in groups:
        if taken and _width([*front, *taken, *group]) > width:
            yield taken
            taken = []
        taken = [*taken, *group]
    yield taken


def _width(columns: Sequence[_Column]) -> int:
    return sum(column.width for column in columns) + len(_GAP) * (len(columns) - 1)


def _table(
    front: Sequence[_Column], columns: Sequence[_Column], found: Registers, changed: frozenset[int]
) -> Iterator[str]:
    yield _GAP.join(column.head() for column in (*front, *columns)).rstrip()
    for first, last, why in _rows(found, _idle(found, changed)):
        if why:
            yield _hole(front, first, last, why)
        else:
            yield _GAP.join(column.text(first) for column in (*front, *columns)).rstrip()


def _idle(found: Registers, changed: frozenset[int]) -> dict[int, str]:
    """Addresses at which every decode is zero, in the words for it."""
    held = found.words
    return {
        at: _ALL_ZERO
        for at in held
        if at not in changed and not any(held.get(at + i, 0) for i in range(_LONGEST_NUMBER))
    }


def _rows(found: Registers, idle: Mapping[int, str]) -> Iterator[tuple[int, int, str]]:
    """First and last address of each row, and why nothing is shown; neighbours of one reason share a row."""
    hole: tuple[int, int, str] | None = None
    for address in sorted({*found.words, *found.holes}):
        why = found.holes.get(address) or idle.get(address, "")
        if hole is not None and why == hole[2] and address == hole[1] + 1:
            hole = (hole[0], address, why)
            continue
        if hole is not None:
            yield hole
        hole = (address, address, why) if why else None
        if not why:
            yield address, address, ""
    if hole is not None:
        yield hole


def _hole(front: Sequence[_Column], first: int, last: int, why: str) -> str:
    place = _GAP.join(column.text(first) for column in front)
    return f"{place}{_GAP}{f'to {last}: ' if last > first else ''}{why}"


def _front(view: View, changed: frozenset[int]) -> list[_Column]:
    columns = [_Column("address", 8, lambda at: f"{_CHANGED if at in changed else ''}{at}")]
    counts_from = view.counts_from
    if counts_from is not None:
        columns.append(_Column("manual", 6, lambda at: str(at + counts_from)))
    return columns


def _group(name: str, held: Mapping[int, int], scale: float) -> list[_Column]:
    if name == "words":
        return _word_columns(held, scale)
    kind, width = _NUMBERS[name]
    return [_number_column(name, Encoding(kind, order), held, width, scale) for order in ORDERS]


def _word_columns(held: Mapping[int, int], scale: float) -> list[_Column]:
    return [
        _Column("hex", 4, lambda at: f"{held[at]:04x}"),
        _number_column("u16", Encoding("uint16"), held, 7, scale),
        _number_column("i16", Encoding("int16"), held, 7, scale),
        _Column("bits 15 to 0", 19, lambda at: _bits(held[at])),
        _Column("BCD", 4, lambda at: _bcd(held[at])),
        _Column("text", 4, lambda at: _ascii(held[at]), left=True),
    ]


def _number_column(name: str, encoding: Encoding, held: Mapping[int, int], width: int, scale: float) -> _Column:
    title = f"{name} {encoding.order}" if words(encoding) > 1 else name
    digits = _FLOAT_DIGITS.get(encoding.kind, _INTEGER_DIGITS)
    factor = 1.0 if encoding.kind in _FLOAT_DIGITS else scale

    def cell(at: int) -> str:
        here = [held.get(at + i) for i in range(words(encoding))]
        if None in here:
            return ""
        number = decode([word for word in here if word is not None], encoding)
        if isinstance(number, str):
            return ""
        return number_text(number if factor == 1 else number * factor, width, digits)

    return _Column(title, width, cell)


def number_text(number: float, width: int, digits: int = _INTEGER_DIGITS) -> str:
    """A number in at most ``width`` characters; one that can be no measurement in a few.

    Args:
        number: to be shown.
        width: characters there are.
        digits: that its type is good for; less are shown where the width asks for it.
    """
    if math.isnan(number):
        return "nan"
    if not sane(number):
        return _strange(number)
    if isinstance(number, int):
        return str(number)
    texts = (f"{number:.{shown}g}" for shown in range(digits, 1, -1))
    return next((text for text in texts if len(text) <= width), f"{number:.1g}")


def _strange(number: float) -> str:
    minus = "-" if number < 0 else ""
    if math.isinf(number):
        return f"{minus}inf"
    if abs(number) < SMALLEST_SANE:
        return f"{minus}~0"
    assert abs(number) > LARGEST_SANE  # noqa: S101 - nothing else is strange
    return f"{minus}~e{math.floor(math.log10(abs(number)))}"


def _bits(word: int) -> str:
    text = f"{word:016b}"
    return " ".join(text[at : at + 4] for at in range(0, 16, 4))


def _bcd(word: int) -> str:
    text = f"{word:04x}"
    return text if text.isdecimal() else _NO_BCD


def _ascii(word: int) -> str:
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in divmod(word, 256))  # noqa: PLR2004 - printable


def bit_table(found: Registers, view: View, changed: frozenset[int] = frozenset()) -> str:
    """Coils or discrete inputs, sixteen a line."""
    front = _front(view, frozenset())
    lines = [_GAP.join([*(column.head() for column in front), "bits, the first one on the left"])]
    for first, last, why in _bit_rows(found):
        lines.append(_hole(front, first, last, why) if why else _bit_line(front, first, last, found.words, changed))
    return "\n".join(lines)


def _bit_rows(found: Registers) -> Iterator[tuple[int, int, str]]:
    line: tuple[int, int] | None = None
    for first, last, why in _rows(found, {}):
        if line is not None and not why and first == line[1] + 1 and first - line[0] < _BITS_A_LINE:
            line = (line[0], first)
            continue
        if line is not None:
            yield (*line, "")
        line = None if why else (first, last)
        if why:
            yield first, last, why
    if line is not None:
        yield (*line, "")


def _bit_line(front: Sequence[_Column], first: int, last: int, held: Mapping[int, int], changed: frozenset[int]) -> str:
    bits = (f"{held[at]}{_CHANGED if at in changed else ' '}" for at in range(first, last + 1))
    return _GAP.join([*(column.text(first) for column in front), " ".join(bits)]).rstrip()


def changes(before: Registers | None, now: Registers) -> frozenset[int]:
    """Addresses whose word is another one than before; none the first time."""
    if before is None:
        return frozenset()
    return frozenset(at for at, word in now.words.items() if before.words.get(at, word) != word)
