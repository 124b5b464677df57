"""Registers to numbers and back, against the library's own conversion, worked figures, and rubbish."""

import math
import struct
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusTcpClient

from gateway.drivers.modbus.codec import Encoding, Kind, Order, decode, encode, words

KINDS: tuple[Kind, ...] = get_args(Kind)
ORDERS: tuple[Order, ...] = get_args(Order)
ENCODINGS = [Encoding(kind, order) for kind in KINDS for order in ORDERS]

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

VALUES: dict[Kind, st.SearchStrategy[int] | st.SearchStrategy[float]] = {
    "bool": st.integers(0, 1),
    "uint16": st.integers(0, 2**16 - 1),
    "int16": st.integers(-(2**15), 2**15 - 1),
    "uint32": st.integers(0, 2**32 - 1),
    "int32": st.integers(-(2**31), 2**31 - 1),
    "uint64": st.integers(0, 2**64 - 1),
    "int64": st.integers(-(2**63), 2**63 - 1),
    "float32": st.floats(width=32, allow_nan=False),
    "float64": st.floats(allow_nan=False),
    "bcd48": st.integers(0, 10**12 - 1),
}


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
    number = decode(registers, encoding)
    assert number == expected or (math.isnan(number) and isinstance(expected, float) and math.isnan(expected))
    assert type(number) is type(expected)


@pytest.mark.parametrize("encoding", ENCODINGS, ids=str)
@given(data=st.data())
def test_every_value_comes_back_from_its_registers(encoding: Encoding, data: st.DataObject) -> None:
    value = data.draw(VALUES[encoding.kind])
    registers = encode(value, encoding)
    assert len(registers) == words(encoding)
    assert all(0 <= register <= 0xFFFF for register in registers)
    assert decode(registers, encoding) == value


@pytest.mark.parametrize("encoding", ENCODINGS, ids=str)
@given(data=st.data())
def test_registers_cut_short_or_with_rubbish_behind_are_refused(encoding: Encoding, data: st.DataObject) -> None:
    registers = encode(data.draw(VALUES[encoding.kind]), encoding)
    rubbish = data.draw(st.lists(REGISTER, min_size=1, max_size=5))
    for wrong in [registers[:count] for count in range(len(registers))] + [(*registers, *rubbish)]:
        with pytest.raises(ValueError, match=f"takes {words(encoding)} registers, got {len(wrong)}"):
            decode(wrong, encoding)


@pytest.mark.parametrize("encoding", ENCODINGS, ids=str)
@given(data=st.data())
def test_any_registers_give_a_number_or_a_value_error_and_nothing_else(encoding: Encoding, data: st.DataObject) -> None:
    registers = data.draw(st.lists(st.integers(-1, 0x1_0000), max_size=6))
    try:
        number = decode(registers, encoding)
    except ValueError:
        return
    if not math.isnan(number):
        assert decode(encode(number, encoding), encoding) == number


@pytest.mark.parametrize(
    ("registers", "kind", "order", "value"),
    [
        # Modbus Application Protocol V1.1b3: 6.3 (registers 108 to 110), 6.4 (register 9), 6.12 (registers 2 and 3).
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
    assert math.isnan(decode((0x7FC0, 0), Encoding("float32")))
    assert decode((0xFF80, 0), Encoding("float32")) == -math.inf
    assert math.isnan(decode(encode(math.nan, Encoding("float64", "BADC")), Encoding("float64", "BADC")))


@pytest.mark.parametrize(
    ("value", "kind"),
    [
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
def test_a_value_that_does_not_fit_is_refused_with_its_type(value: float, kind: Kind) -> None:
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
