"""Registers to numbers and texts, and back.

Decides which bytes of which register make up a number or a text. Never scales,
never judges whether it is plausible, and knows nothing of sockets.

A register holds two bytes, high byte first. What differs between devices is the
order of the bytes of a number that is longer than one register. The four orders
are named by the bytes of a 32-bit number as they come over the wire, A being
the most significant; longer numbers follow the same two questions:

    order   registers                 bytes in a register
    ABCD    most significant first    high byte first
    CDAB    least significant first   high byte first
    BADC    most significant first    low byte first
    DCBA    least significant first   low byte first

A text has no most significant part: its registers stay in their order, and only
the two characters of a register change places (BADC, DCBA).

Whole numbers come back as int, with every digit of their 64 bits; what a float
makes of the last ones is for ``core.scaling`` to mark.
"""

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal, get_args

from gateway.configuration.schema import REGISTERS, BitField, ByteOrder, TypeName

Kind = TypeName
Order = ByteOrder

LARGEST_REGISTER = 0xFFFF
LARGEST_DIGIT = 9
DIGITS_A_REGISTER = 4
CHARACTERS_A_REGISTER = 2
BITS_A_REGISTER = 16

_FORMATS: dict[Kind, str] = {
    "uint16": ">H",
    "int16": ">h",
    "uint32": ">I",
    "int32": ">i",
    "uint64": ">Q",
    "int64": ">q",
    "float32": ">f",
    "float64": ">d",
}
_BCD: tuple[Kind, ...] = ("bcd16", "bcd32", "bcd48", "bcd64")


@dataclass(frozen=True, slots=True)
class Encoding:
    """How a number or a text lies in its registers.

    Args:
        kind: type of the number; the BCD types are packed, four digits a register, most significant digit first.
        order: order of its bytes; see the head of the module.
        string_registers: registers of a string; 0 for all other types.
        bit_field: bits of a whole number that are meant, as an unsigned number; None for all.

    Raises:
        ValueError: a kind or an order that does not exist, a string without a length or a length without a string,
            or bits that the type does not have.
    """

    kind: Kind
    order: Order = "ABCD"
    string_registers: int = 0
    bit_field: BitField | None = None

    def __post_init__(self) -> None:
        if self.kind not in get_args(Kind):
            raise ValueError(f"type {self.kind!r} does not exist; allowed: {', '.join(get_args(Kind))}")
        if self.order not in get_args(Order):
            raise ValueError(f"byte order {self.order!r} does not exist; allowed: {', '.join(get_args(Order))}")
        if (self.kind == "string") != (self.string_registers > 0):
            raise ValueError(f"a string, and nothing else, has registers of its own; got {self.string_registers}")
        if self.bit_field is not None and _end(self.bit_field) > _width(self.kind):
            raise ValueError(f"{self.kind} has {_width(self.kind)} bits, the field ends at bit {_end(self.bit_field)}")


def _end(field: BitField) -> int:
    return field.first + field.count


def _width(kind: Kind) -> int:
    """Bits of a whole number; 0 where there are none to take out."""
    return BITS_A_REGISTER * REGISTERS[kind] if kind.startswith(("int", "uint")) else 0


def words(encoding: Encoding) -> int:
    """How many registers (for a bool: bits or registers) it takes."""
    return encoding.string_registers or REGISTERS[encoding.kind]


Decoder = Callable[[Sequence[int]], float | int | str]


def decoder(encoding: Encoding) -> Decoder:
    """``decode`` for one encoding, with its questions answered beforehand."""
    plain = encoding.kind in _FORMATS and encoding.bit_field is None
    return _plain_decoder(encoding) if plain else partial(_decode_special, encoding=encoding)


def _plain_decoder(encoding: Encoding) -> Decoder:
    low_byte_first, backwards = encoding.order in ("BADC", "DCBA"), encoding.order in ("CDAB", "DCBA")
    octets = struct.Struct(f"{'<' if low_byte_first else '>'}{REGISTERS[encoding.kind]}H")
    number = struct.Struct(_FORMATS[encoding.kind])

    def decoded(registers: Sequence[int]) -> float | int:
        try:
            data = octets.pack(*(registers[::-1] if backwards else registers))
        except struct.error as error:
            _bytes_of(registers, encoding)  # knows what is wrong with them
            raise ValueError(f"{encoding.kind} takes whole registers, got {registers!r}") from error
        found: float | int = number.unpack(data)[0]
        return found

    return decoded


def decode(registers: Sequence[int], encoding: Encoding) -> float | int | str:
    """The number or the text in the registers.

    Args:
        registers: exactly ``words(encoding)`` of them, each 0..65535; one bit (0 or 1) for a bool.
        encoding: how it lies in them.

    Returns:
        an int, a float for the two float types (which may be NaN or infinite, as sent), or a str for a string,
        without the NULs and blanks at its end.

    Raises:
        ValueError: another count, a register out of range, a bool that is neither 0 nor 1, a digit above 9 in BCD,
            or a character in a string that ASCII does not print.
    """
    return decoder(encoding)(registers)


def _decode_special(registers: Sequence[int], encoding: Encoding) -> int | str:
    """What is more than a plain number: a bool, a text, BCD, bits of a number."""
    data = _bytes_of(registers, encoding)
    if encoding.kind == "bool":
        return _bool_from(int.from_bytes(data, "big"))
    if encoding.kind == "string":
        return _text_from(data)
    if encoding.kind in _BCD:
        return _integer_from_bcd(data, encoding.kind)
    number = int(struct.unpack(_FORMATS[encoding.kind], data)[0])
    return number if encoding.bit_field is None else _bits_from(number, encoding.bit_field)


def encode(value: float | str, encoding: Encoding) -> tuple[int, ...]:
    """The registers that hold the number or the text: the inverse of ``decode``.

    Args:
        value: the raw number; whole for all but the two float types; a str for a string, which is filled with NULs.
            A bit field's number stands in its bits, the others are 0.
        encoding: how it shall lie in the registers.

    Returns:
        ``words(encoding)`` registers, each 0..65535.

    Raises:
        ValueError: the value does not fit the type.
    """
    return _registers_of(_bytes_from(value, encoding), encoding)


def _bytes_from(value: float | str, encoding: Encoding) -> bytes:
    kind = encoding.kind
    if isinstance(value, str) or kind == "string":
        return _bytes_from_text(value, encoding)
    if encoding.bit_field is not None:
        return _placed(_whole(value, kind), encoding.bit_field, kind)
    if kind == "bool":
        return _bool_from(_whole(value, kind)).to_bytes(2, "big")
    return _bcd_from_integer(_whole(value, kind), kind) if kind in _BCD else _packed(value, kind)


def _bytes_of(registers: Sequence[int], encoding: Encoding) -> bytes:
    """The bytes of the number, most significant first."""
    if len(registers) != words(encoding):
        raise ValueError(f"{encoding.kind} takes {words(encoding)} registers, got {len(registers)}")
    ordered = _reorder(registers, encoding)
    return b"".join(_pair(register, encoding.order) for register in ordered)


def _registers_of(data: bytes, encoding: Encoding) -> tuple[int, ...]:
    """The registers of bytes that come most significant first."""
    byte_order: Literal["little", "big"] = "little" if encoding.order in ("BADC", "DCBA") else "big"
    registers = [int.from_bytes(data[at : at + 2], byte_order) for at in range(0, len(data), 2)]
    return tuple(_reorder(registers, encoding))


def _reorder(registers: Sequence[int], encoding: Encoding) -> Sequence[int]:
    backwards = encoding.order in ("CDAB", "DCBA") and encoding.kind != "string"
    return registers[::-1] if backwards else registers


def _pair(register: int, order: Order) -> bytes:
    if not 0 <= register <= LARGEST_REGISTER:
        raise ValueError(f"a register is 0..{LARGEST_REGISTER}, got {register}")
    return register.to_bytes(2, "little" if order in ("BADC", "DCBA") else "big")


def _bool_from(number: int) -> int:
    if number not in (0, 1):
        raise ValueError(f"bool is 0 or 1, got {number}")
    return number


def _text_from(data: bytes) -> str:
    text = data.rstrip(b"\0 ").decode("latin-1")
    if not (text.isascii() and text.isprintable()):
        raise ValueError(f"a string has printable ASCII characters only, got {text!r}")
    return text


def _bytes_from_text(value: float | str, encoding: Encoding) -> bytes:
    length = CHARACTERS_A_REGISTER * encoding.string_registers
    if not isinstance(value, str) or not (value.isascii() and value.isprintable()) or len(value) > length:
        raise ValueError(f"{encoding.kind} holds up to {length} printable ASCII characters, got {value!r}")
    return value.encode("ascii").ljust(length, b"\0")


def _bits_from(number: int, field: BitField) -> int:
    return number >> field.first & (1 << field.count) - 1


def _placed(number: int, field: BitField, kind: Kind) -> bytes:
    if not 0 <= number < 1 << field.count:
        raise ValueError(f"{field.count} bits of {kind} hold 0..{(1 << field.count) - 1}, got {number}")
    return (number << field.first).to_bytes(REGISTERS[kind] * 2, "big")


def _integer_from_bcd(data: bytes, kind: Kind) -> int:
    digits = data.hex()
    if not digits.isdecimal():
        raise ValueError(f"{kind} has digits 0..{LARGEST_DIGIT} only, got {digits}")
    return int(digits)


def _bcd_from_integer(number: int, kind: Kind) -> bytes:
    digits = DIGITS_A_REGISTER * REGISTERS[kind]
    if not 0 <= number < 10**digits:
        raise ValueError(f"{kind} holds 0..{10**digits - 1}, got {number}")
    return bytes.fromhex(f"{number:0{digits}d}")


def _packed(value: float, kind: Kind) -> bytes:
    number = value if kind in ("float32", "float64") else _whole(value, kind)
    try:
        return struct.pack(_FORMATS[kind], number)
    except (struct.error, OverflowError) as fault:
        raise ValueError(f"{value} does not fit {kind}: {fault}") from fault


def _whole(value: float, kind: Kind) -> int:
    if not (isinstance(value, int) or value.is_integer()):
        raise ValueError(f"{kind} holds whole numbers, got {value}")
    return int(value)
