"""Registers to numbers and texts and back, against the library's own conversion, worked figures, and rubbish."""

import math
import struct
from collections.abc import Sequence
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusTcpClient

from gateway.configuration.schema import BitField
from gateway.drivers.modbus.codec import Encoding, Kind, Order, decode, encode, words

KINDS: tuple[Kind, ...] = get_args(Kind)
ORDERS: tuple[Order, ...] = get_args(Order)
LENGTH = 5  # registers of a string
PLAIN = [Encoding(kind, order, LENGTH if kind == "string" else 0) for kind in KINDS for order in ORDERS]
FIELDS = [
    Encoding("uint16", "ABCD", bit_field=BitField(first=0, count=1)),
    Encoding("uint16", "BADC", bit_field=BitField(first=5, count=11)),
    Encoding("int16", "ABCD", bit_field=BitField(first=15, count=1)),
    Encoding("uint32", "CDAB", bit_field=BitField(first=8, count=16)),
    Encoding("int32", "DCBA", bit_field=BitField(first=0, count=32)),
    Encoding("uint64", "BADC", bit_field=BitField(first=40, count=24)),
    Encoding("int64", "DCBA", bit_field=BitField(first=32, count=32)),
]
ENCODINGS = PLAIN + FIELDS

LIBRARY_TYPES = {
    "uint16": ModbusTcpClient.DATATYPE.UINT16,
    "int16": ModbusTcpClient.DATATYPE.INT16,
    "uint32": ModbusTcpClient.DATATYPE.UINT32,
    "int32": ModbusTcpClient.DATATYPE.INT32,
    "uint64": ModbusTcpClient.DATATYPE.UINT64,
    "int64": ModbusTcpClient.DATATYPE.INT64,
    "float32": ModbusTcpClient.DATATYPE.FLOAT32,
    "float64": ModbusTcpClient.DATATYPE.FLOAT64,
}
REGISTER = st.integers(0, 0xFFFF)

Values = st.SearchStrategy[int | float | str]
VALUES: dict[Kind, Values] = {
    "bool": st.integers(0, 1),
    "uint16": st.integers(0, 2**16 - 1),
    "int16": st.integers(-(2**15), 2**15 - 1),
    "uint32": st.integers(0, 2**32 - 1),
    "int32": st.integers(-(2**31), 2**31 - 1),
    "uint64": st.integers(0, 2**64 - 1),
    "int64": st.integers(-(2**63), 2**63 - 1),
    "float32": st.floats(width=32, allow_nan=False),
    "float64": st.floats(allow_nan=False),
    "bcd16": st.integers(0, 10**4 - 1),
    "bcd32": st.integers(0, 10**8 - 1),
    "bcd48": st.integers(0, 10**12 - 1),
    "bcd64": st.integers(0, 10**16 - 1),
    "string": st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=2 * LENGTH).map(str.rstrip),
}


def values_of(encoding: Encoding) -> Values:
    field = encoding.bit_field
    return VALUES[encoding.kind] if field is None else st.integers(0, 2**field.count - 1)


def number_in(registers: Sequence[int], encoding: Encoding) -> float:
    number = decode(registers, encoding)
    assert not isinstance(number, str)
    return number


def swapped(register: int) -> int:
    return register >> 8 | (register & 0xFF) << 8


@pytest.mark.parametrize("kind", LIBRARY_TYPES)
@pytest.mark.parametrize("order", ORDERS)
@given(data=st.data())
def test_any_registers_decode_as_the_library_decodes_them(kind: Kind, order: Order, data: st.DataObject) -> None:
    encoding = Encoding(kind, order)
    registers = data.draw(st.lists(REGISTER, min_size=words(encoding), max_size=words(encoding)))
    # The library knows no swapped bytes, so they are put right before it sees them.
    straight = [swapped(register) for register in registers] if order in ("BADC", "DCBA") else registers
    expected = ModbusTcpClient.convert_from_registers(
        straight, LIBRARY_TYPES[kind], word_order="little" if order in ("CDAB", "DCBA") else "big"
    )
    number = number_in(registers, encoding)
    assert number == expected or (math.isnan(number) and isinstance(expected, float) and math.isnan(expected))
    assert type(number) is type(expected)


@pytest.mark.parametrize("encoding", ENCODINGS, ids=str)
@given(data=st.data())
def test_every_value_comes_back_from_its_registers(encoding: Encoding, data: st.DataObject) -> None:
    value = data.draw(values_of(encoding))
    registers = encode(value, encoding)
    assert len(registers) == words(encoding)
    assert all(0 <= register <= 0xFFFF for register in registers)
    assert decode(registers, encoding) == value


@pytest.mark.parametrize("encoding", ENCODINGS, ids=str)
@given(data=st.data())
def test_registers_cut_short_or_with_rubbish_behind_are_refused(encoding: Encoding, data: st.DataObject) -> None:
    registers = encode(data.draw(values_of(encoding)), encoding)
    rubbish = data.draw(st.lists(REGISTER, min_size=1, max_size=5))
    for wrong in [registers[:count] for count in range(len(registers))] + [(*registers, *rubbish)]:
        with pytest.raises(ValueError, match=f"takes {words(encoding)} registers, got {len(wrong)}"):
            decode(wrong, encoding)


@pytest.mark.parametrize("encoding", ENCODINGS, ids=str)
@given(data=st.data())
def test_any_registers_give_a_value_or_a_value_error_and_nothing_else(encoding: Encoding, data: st.DataObject) -> None:
    size = data.draw(st.sampled_from([words(encoding), 0, 1, 6]))
    registers = data.draw(st.lists(st.integers(-1, 0x1_0000) | REGISTER, min_size=size, max_size=size))
    try:
        value = decode(registers, encoding)
    except ValueError:
        return
    if isinstance(value, str) or not math.isnan(value):
        assert decode(encode(value, encoding), encoding) == value


@pytest.mark.parametrize("kind", ["uint16", "int16", "uint32", "int32", "uint64", "int64"])
@pytest.mark.parametrize("order", ORDERS)
@given(data=st.data())
def test_a_bit_field_is_those_digits_of_the_number_written_in_twos(
    kind: Kind, order: Order, data: st.DataObject
) -> None:
    width = 16 * words(Encoding(kind))
    count = data.draw(st.integers(1, min(32, width)))
    first = data.draw(st.integers(0, width - count))
    registers = data.draw(st.lists(REGISTER, min_size=width // 16, max_size=width // 16))
    number = decode(registers, Encoding(kind, order))
    assert isinstance(number, int)
    digits = f"{number % 2**width:0{width}b}"[::-1]  # lowest first
    field = BitField(first=first, count=count)
    assert decode(registers, Encoding(kind, order, bit_field=field)) == int(digits[first : first + count][::-1], 2)


@pytest.mark.parametrize("kind", ["bcd16", "bcd32", "bcd48", "bcd64"])
@pytest.mark.parametrize("order", ORDERS)
@given(data=st.data())
def test_bcd_is_the_hexadecimal_writing_of_the_whole_number_read_as_decimal(
    kind: Kind, order: Order, data: st.DataObject
) -> None:
    registers = data.draw(st.lists(REGISTER, min_size=words(Encoding(kind)), max_size=words(Encoding(kind))))
    high_first = registers[::-1] if order in ("CDAB", "DCBA") else registers
    straight = [swapped(one) for one in high_first] if order in ("BADC", "DCBA") else high_first
    digits = "".join(f"{one:04x}" for one in straight)
    if digits.isdecimal():
        assert decode(registers, Encoding(kind, order)) == int(digits)
    else:
        with pytest.raises(ValueError, match=f"{kind} has digits 0..9 only, got {digits}"):
            decode(registers, Encoding(kind, order))


@pytest.mark.parametrize(
    ("registers", "kind", "order", "value"),
    [
        # Examples of Modbus Application Protocol V1.1b3, written down from memory: 6.3 (registers 108 to 110), 6.4
        # (register 9), 6.12 (registers 2 and 3).
        ((0x022B,), "uint16", "ABCD", 555),
        ((0x0000,), "uint16", "ABCD", 0),
        ((0x0064,), "uint16", "ABCD", 100),
        ((0x000A,), "int16", "ABCD", 10),
        ((0x0102,), "uint16", "ABCD", 258),
        # IEEE 754: 1.0 is 3F80 0000, -118.625 is C2ED 4000.
        ((0x3F80, 0x0000), "float32", "ABCD", 1.0),
        ((0x0000, 0x3F80), "float32", "CDAB", 1.0),
        ((0x803F, 0x0000), "float32", "BADC", 1.0),
        ((0x0000, 0x803F), "float32", "DCBA", 1.0),
        ((0xC2ED, 0x4000), "float32", "ABCD", -118.625),
        ((0x3FF0, 0, 0, 0), "float64", "ABCD", 1.0),
        ((0, 0, 0, 0xF03F), "float64", "DCBA", 1.0),
        # A 32-bit AABBCCDD and a 64-bit 1122334455667788 in the four orders.
        ((0xAABB, 0xCCDD), "uint32", "ABCD", 0xAABBCCDD),
        ((0xCCDD, 0xAABB), "uint32", "CDAB", 0xAABBCCDD),
        ((0xBBAA, 0xDDCC), "uint32", "BADC", 0xAABBCCDD),
        ((0xDDCC, 0xBBAA), "uint32", "DCBA", 0xAABBCCDD),
        ((0x1122, 0x3344, 0x5566, 0x7788), "uint64", "ABCD", 0x1122334455667788),
        ((0x7788, 0x5566, 0x3344, 0x1122), "uint64", "CDAB", 0x1122334455667788),
        ((0x2211, 0x4433, 0x6655, 0x8877), "uint64", "BADC", 0x1122334455667788),
        ((0x8877, 0x6655, 0x4433, 0x2211), "uint64", "DCBA", 0x1122334455667788),
        ((0xFFFF, 0xFFFE), "int32", "ABCD", -2),
        ((0xFFFF,), "int16", "ABCD", -1),
        ((0x0102,), "uint16", "BADC", 0x0201),
        # A controller's clock: 12 February 2025, 13:45:07.
        ((0x2502, 0x1213, 0x4507), "bcd48", "ABCD", 250212134507),
        ((0x4507, 0x1213, 0x2502), "bcd48", "CDAB", 250212134507),
        ((0x0001, 0x0100, 0x0000), "bcd48", "ABCD", 1_01_00_00_00),
        ((0x9876,), "bcd16", "ABCD", 9_876),
        ((0x7698,), "bcd16", "BADC", 9_876),
        ((0x1234, 0x5678), "bcd32", "ABCD", 12_345_678),
        ((0x5678, 0x1234), "bcd32", "CDAB", 12_345_678),
        ((0x3412, 0x7856), "bcd32", "BADC", 12_345_678),
        ((0x7856, 0x3412), "bcd32", "DCBA", 12_345_678),
        ((0x0012, 0x3456, 0x7890, 0x1234), "bcd64", "ABCD", 12_345_678_901_234),
        # The largest unsigned total, whose last digits no float holds, keeps them all here.
        ((0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF), "uint64", "ABCD", 18_446_744_073_709_551_615),
        ((0x0020, 0x0000, 0x0000, 0x0001), "uint64", "ABCD", 2**53 + 1),
        ((1,), "bool", "ABCD", 1),
        ((0,), "bool", "ABCD", 0),
    ],
)
def test_worked_figures(registers: tuple[int, ...], kind: Kind, order: Order, value: float) -> None:
    assert decode(registers, Encoding(kind, order)) == value
    assert encode(value, Encoding(kind, order)) == registers


def test_the_turbidity_controllers_test_constant_decodes_in_its_order_and_in_no_other() -> None:
    high, low = struct.unpack(">HH", struct.pack(">f", 12345.678))
    assert decode((low, high), Encoding("float32", "CDAB")) == pytest.approx(12345.678, abs=0.001)
    for order in ("ABCD", "BADC", "DCBA"):
        assert decode((low, high), Encoding("float32", order)) != pytest.approx(12345.678, abs=0.001)


def test_not_a_number_and_infinity_pass_as_sent() -> None:
    assert math.isnan(number_in((0x7FC0, 0), Encoding("float32")))
    assert decode((0xFF80, 0), Encoding("float32")) == -math.inf
    assert math.isnan(number_in(encode(math.nan, Encoding("float64", "BADC")), Encoding("float64", "BADC")))


@pytest.mark.parametrize(
    ("registers", "order", "text"),
    [
        ((0x4653, 0x2D35, 0x3031, 0x0000, 0x0000), "ABCD", "FS-501"),
        ((0x5346, 0x352D, 0x3130, 0x0000, 0x0000), "BADC", "FS-501"),
        ((0x4653, 0x2D35, 0x3031, 0x2020, 0x2000), "CDAB", "FS-501"),  # registers of a text keep their places
        ((0x5346, 0x352D, 0x3130, 0x2020, 0x0020), "DCBA", "FS-501"),
        ((0x2056, 0x3200, 0x0000, 0x0000, 0x0000), "ABCD", " V2"),  # a blank in front is part of it
        ((0, 0, 0, 0, 0), "ABCD", ""),
    ],
)
def test_a_text_is_read_two_characters_a_register_without_what_fills_it_up(
    registers: tuple[int, ...], order: Order, text: str
) -> None:
    assert decode(registers, Encoding("string", order, 5)) == text


@pytest.mark.parametrize("registers", [(0x4100, 0x4200), (0x41E4, 0x0000), (0x410A, 0x0000), (0x7F00, 0x0000)])
def test_what_ascii_does_not_print_is_no_text(registers: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="printable ASCII characters only"):
        decode(registers, Encoding("string", "ABCD", 2))


@pytest.mark.parametrize("value", ["too long", "\u00e4", "\n", 4711])
def test_what_is_no_text_of_that_length_is_not_encoded(value: str | int) -> None:
    with pytest.raises(ValueError, match="string holds up to 4 printable ASCII characters"):
        encode(value, Encoding("string", "ABCD", 2))


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        ("7", "uint16"),
        (10**4, "bcd16"),
        (10**8, "bcd32"),
        (10**16, "bcd64"),
        (-1, "uint16"),
        (65536, "uint16"),
        (32768, "int16"),
        (-32769, "int16"),
        (2**32, "uint32"),
        (2**31, "int32"),
        (-1, "uint64"),
        (2**63, "int64"),
        (1e39, "float32"),
        (2, "bool"),
        (-1, "bcd48"),
        (10**12, "bcd48"),
        (0.5, "uint16"),
        (math.nan, "int32"),
        (math.inf, "uint64"),
        (12.5, "bcd48"),
    ],
)
def test_a_value_that_does_not_fit_is_refused_with_its_type(value: float | str, kind: Kind) -> None:
    with pytest.raises(ValueError, match=kind):
        encode(value, Encoding(kind))


def test_a_digit_above_nine_is_no_clock() -> None:
    with pytest.raises(ValueError, match="2502121a4507"):
        decode((0x2502, 0x121A, 0x4507), Encoding("bcd48"))


def test_a_bool_of_two_and_a_register_of_17_bits_are_refused() -> None:
    with pytest.raises(ValueError, match="bool is 0 or 1, got 2"):
        decode((2,), Encoding("bool"))
    with pytest.raises(ValueError, match="got 65536"):
        decode((0x1_0000,), Encoding("uint16"))


def test_types_and_orders_that_do_not_exist_are_refused_with_those_that_do() -> None:
    with pytest.raises(ValueError, match="'float16' does not exist; allowed: bool, uint16"):
        Encoding("float16")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="'AABB' does not exist; allowed: ABCD, CDAB, BADC, DCBA"):
        Encoding("uint16", "AABB")  # type: ignore[arg-type]


def test_a_string_without_a_length_and_bits_that_a_type_does_not_have_are_refused() -> None:
    with pytest.raises(ValueError, match="a string, and nothing else, has registers of its own; got 0"):
        Encoding("string")
    with pytest.raises(ValueError, match="a string, and nothing else, has registers of its own; got 3"):
        Encoding("uint16", string_registers=3)
    with pytest.raises(ValueError, match="uint16 has 16 bits, the field ends at bit 17"):
        Encoding("uint16", bit_field=BitField(first=16, count=1))
    with pytest.raises(ValueError, match="float32 has 0 bits"):
        Encoding("float32", bit_field=BitField(first=0, count=1))
    with pytest.raises(ValueError, match=r"4 bits of uint16 hold 0\.\.15, got 16"):
        encode(16, Encoding("uint16", bit_field=BitField(first=4, count=4)))
