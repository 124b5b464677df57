"""Registers to numbers and back.

Decides which bytes of which register make up a number. Never scales, never
judges whether the number is plausible, and knows nothing of sockets.

A register holds two bytes, high byte first. What differs between devices is the
order of the bytes of a number that is longer than one register. The four orders
are named by the bytes of a 32-bit number as they come over the wire, A being
the most significant; longer numbers follow the same two questions:

    order   registers                 bytes in a register
    ABCD    most significant first    high byte first
    CDAB    least significant first   high byte first
    BADC    most significant first    low byte first
    DCBA    least significant first   low byte first
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from gateway.configuration.schema import REGISTERS, ByteOrder, TypeName

Kind = TypeName
Order = ByteOrder

LARGEST_REGISTER = 0xFFFF
LARGEST_DIGIT = 9
BCD48_DIGITS = 12

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


@dataclass(frozen=True, slots=True)
class Encoding:
    """How a number lies in its registers.

    Args:
        kind: type of the number; ``bcd48`` is a clock, packed BCD ``YYMM DDhh mmss``.
        order: order of its bytes; see the head of the module.

    Raises:
        ValueError: a kind or an order that does not exist.
    """

    kind: Kind
    order: Order = "ABCD"

    def __post_init__(self) -> None:
        if self.kind not in get_args(Kind):
            raise ValueError(f"type {self.kind!r} does not exist; allowed: {', '.join(get_args(Kind))}")
        if self.order not in get_args(Order):
            raise ValueError(f"byte order {self.order!r} does not exist; allowed: {', '.join(get_args(Order))}")


def words(encoding: Encoding) -> int:
    """How many registers (for a bool: bits or registers) the number takes."""
    return REGISTERS[encoding.kind]


def decode(registers: Sequence[int], encoding: Encoding) -> float | int:
    """The number in the registers.

    Args:
        registers: exactly ``words(encoding)`` of them, each 0..65535; one bit (0 or 1) for a bool.
        encoding: how it lies in them.

    Returns:
        an int, or a float for the two float types (which may be NaN or infinite, as sent).

    Raises:
        ValueError: another count, a register out of range, a bool that is neither 0 nor 1, or a digit above 9 in BCD.
    """
    data = _bytes_of(registers, encoding)
    if encoding.kind == "bool":
        return _bool_from(int.from_bytes(data, "big"))
    if encoding.kind == "bcd48":
        return _integer_from_bcd(data)
    number: float | int = struct.unpack(_FORMATS[encoding.kind], data)[0]
    return number


def encode(value: float, encoding: Encoding) -> tuple[int, ...]:
    """The registers that hold the number: the inverse of ``decode``.

    Args:
        value: the raw number; whole for all but the two float types.
        encoding: how it shall lie in the registers.

    Returns:
        ``words(encoding)`` registers, each 0..65535.

    Raises:
        ValueError: the value does not fit the type.
    """
    if encoding.kind == "bool":
        data = _bool_from(_whole(value, encoding.kind)).to_bytes(2, "big")
    elif encoding.kind == "bcd48":
        data = _bcd_from_integer(_whole(value, encoding.kind))
    else:
        data = _packed(value, encoding.kind)
    return _registers_of(data, encoding.order)


def _bytes_of(registers: Sequence[int], encoding: Encoding) -> bytes:
    """The bytes of the number, most significant first."""
    if len(registers) != words(encoding):
        raise ValueError(f"{encoding.kind} takes {words(encoding)} registers, got {len(registers)}")
    ordered = _reorder(registers, encoding.order)
    return b"".join(_pair(register, encoding.order) for register in ordered)


def _registers_of(data: bytes, order: Order) -> tuple[int, ...]:
    """The registers of bytes that come most significant first."""
    byte_order: Literal["little", "big"] = "little" if order in ("BADC", "DCBA") else "big"
    registers = [int.from_bytes(data[at : at + 2], byte_order) for at in range(0, len(data), 2)]
    return tuple(_reorder(registers, order))


def _reorder(registers: Sequence[int], order: Order) -> Sequence[int]:
    return registers[::-1] if order in ("CDAB", "DCBA") else registers


def _pair(register: int, order: Order) -> bytes:
    if not 0 <= register <= LARGEST_REGISTER:
        raise ValueError(f"a register is 0..{LARGEST_REGISTER}, got {register}")
    return register.to_bytes(2, "little" if order in ("BADC", "DCBA") else "big")


def _bool_from(number: int) -> int:
    if number not in (0, 1):
        raise ValueError(f"bool is 0 or 1, got {number}")
    return number


def _integer_from_bcd(data: bytes) -> int:
    digits = data.hex()
    if not digits.isdecimal():
        raise ValueError(f"bcd48 has digits 0..{LARGEST_DIGIT} only, got {digits}")
    return int(digits)


def _bcd_from_integer(number: int) -> bytes:
    if not 0 <= number < 10**BCD48_DIGITS:
        raise ValueError(f"bcd48 holds 0..{10**BCD48_DIGITS - 1} (yymmddhhmmss), got {number}")
    return bytes.fromhex(f"{number:0{BCD48_DIGITS}d}")


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
