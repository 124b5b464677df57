"""The bytes of a request: the examples of the specification, and frames as the independent checksum makes them."""

import pytest

from gateway.drivers.driver import Block, Table
from gateway.drivers.modbus.reply import read_question, write_question
from gateway.drivers.modbus.request import read_message, rtu_frame, tcp_frame, write_message
from tests.drivers.hostile import crc


# Requests of Modbus Application Protocol V1.1b3, 6.1 to 6.4.
@pytest.mark.parametrize(
    ("table", "address", "count", "text"),
    [
        (Table.COIL, 0x13, 0x13, "01 00 13 00 13"),
        (Table.DISCRETE, 0xC4, 0x16, "02 00 C4 00 16"),
        (Table.HOLDING, 0x6B, 3, "03 00 6B 00 03"),
        (Table.INPUT, 8, 1, "04 00 08 00 01"),
    ],
)
def test_a_read_is_asked_as_in_the_specification(table: Table, address: int, count: int, text: str) -> None:
    question = read_question(Block(unit_id=17, table=table, address=address, count=count))
    assert read_message(question) == bytes.fromhex(text)


def test_a_write_is_asked_as_in_the_specification() -> None:
    """Modbus Application Protocol V1.1b3, 6.12."""
    question = write_question(Block(unit_id=17, table=Table.HOLDING, address=1, count=2))
    assert write_message(question, [0x000A, 0x0102]) == bytes.fromhex("10 00 01 00 02 04 00 0A 01 02")


def test_the_length_of_a_tcp_frame_counts_the_unit_and_the_message() -> None:
    """Modbus Messaging on TCP/IP V1.0b, 3.1.3."""
    frame = tcp_frame(0xFF, bytes.fromhex("03 00 04 00 01"), transaction=0x1501)
    assert frame == bytes.fromhex("15 01 00 00 00 06 FF 03 00 04 00 01")


def test_a_frame_of_a_serial_line_ends_with_its_checksum() -> None:
    body = bytes.fromhex("11 03 00 6B 00 03")
    assert rtu_frame(0x11, body[1:]) == body + crc(body)
