"""Is this the reply to that request? Examples of the specification, cut, prefixed, prolonged and damaged."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU

from gateway.drivers.driver import Block, Table
from gateway.drivers.modbus.reply import (
    Accepted,
    Question,
    Unfinished,
    Verdict,
    Wrong,
    checksum,
    judge_rtu,
    judge_tcp,
    read_question,
    write_question,
)
from tests.drivers.hostile import crc

UNIT = 17
TRANSACTION = 0x1501


def read(table: Table, address: int, count: int) -> Question:
    return read_question(Block(unit_id=UNIT, table=table, address=address, count=count))


# Requests and replies of Modbus Application Protocol V1.1b3, 6.1 to 6.4 and 6.12.
EXAMPLES = [
    pytest.param(read(Table.COIL, 0x13, 0x13), "01 03 CD 6B 05", id="6.1 read coils"),
    pytest.param(read(Table.DISCRETE, 0xC4, 0x16), "02 03 AC DB 35", id="6.2 read discrete inputs"),
    pytest.param(read(Table.HOLDING, 0x6B, 3), "03 06 02 2B 00 00 00 64", id="6.3 read holding registers"),
    pytest.param(read(Table.INPUT, 8, 1), "04 02 00 0A", id="6.4 read input registers"),
    pytest.param(
        write_question(Block(unit_id=UNIT, table=Table.HOLDING, address=1, count=2)),
        "10 00 01 00 02",
        id="6.12 write multiple registers",
    ),
    pytest.param(read(Table.HOLDING, 0x6B, 3), "83 02", id="exception to 6.3"),
    pytest.param(
        write_question(Block(unit_id=UNIT, table=Table.HOLDING, address=1, count=2)), "90 04", id="exception to 6.12"
    ),
]


def tcp(message: bytes, *, transaction: int = TRANSACTION, unit_id: int = UNIT) -> bytes:
    return struct.pack(">HHHB", transaction, 0, len(message) + 1, unit_id) + message


def rtu(message: bytes, *, unit_id: int = UNIT) -> bytes:
    body = bytes((unit_id,)) + message
    return body + crc(body)


def judged(frame: bytes, question: Question, *, serial: bool, unanswered: tuple[int, ...] = ()) -> Verdict:
    if serial:
        return judge_rtu(frame, question)
    return judge_tcp(frame, question, transaction=TRANSACTION, unanswered=unanswered)


@pytest.mark.parametrize("serial", [False, True], ids=["tcp", "rtu"])
@pytest.mark.parametrize(("question", "text"), EXAMPLES)
class TestExamples:
    def test_the_whole_reply_is_accepted(self, question: Question, text: str, serial: bool) -> None:  # noqa: FBT001 - pytest passes by name
        frame = (rtu if serial else tcp)(bytes.fromhex(text))
        assert judged(frame, question, serial=serial) == Accepted(bytes.fromhex(text))

    def test_every_beginning_of_it_is_unfinished(self, question: Question, text: str, serial: bool) -> None:  # noqa: FBT001 - pytest passes by name
        frame = (rtu if serial else tcp)(bytes.fromhex(text))
        for cut in range(len(frame)):
            assert judged(frame[:cut], question, serial=serial) == Unfinished()

    def test_anything_behind_it_makes_it_wrong(self, question: Question, text: str, serial: bool) -> None:  # noqa: FBT001 - pytest passes by name
        frame = (rtu if serial else tcp)(bytes.fromhex(text))
        for behind in (b"\0", b"\xff" * 9, frame):
            assert isinstance(judged(frame + behind, question, serial=serial), Wrong)

    def test_another_unit_is_wrong(self, question: Question, text: str, serial: bool) -> None:  # noqa: FBT001 - pytest passes by name
        frame = (rtu if serial else tcp)(bytes.fromhex(text), unit_id=18)
        verdict = judged(frame, question, serial=serial)
        assert verdict == Wrong("unit 18 came, 17 was asked")

    def test_no_other_question_takes_it_for_its_reply(self, question: Question, text: str, serial: bool) -> None:  # noqa: FBT001 - pytest passes by name
        message = bytes.fromhex(text)
        for parameter in EXAMPLES:
            other = parameter.values[0]
            assert isinstance(other, Question)
            if other.function != question.function:
                assert isinstance(judged((rtu if serial else tcp)(message), other, serial=serial), Wrong)


@given(
    at=st.integers(0, 1000),
    change=st.integers(1, 255),
    registers=st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=125),
)
def test_one_damaged_byte_anywhere_is_never_accepted_on_a_serial_line(
    at: int, change: int, registers: list[int]
) -> None:
    data = b"".join(register.to_bytes(2, "big") for register in registers)
    frame = bytearray(rtu(bytes((3, len(data))) + data))
    frame[at % len(frame)] ^= change
    assert not isinstance(judge_rtu(bytes(frame), read(Table.HOLDING, 0, len(registers))), Accepted)


@given(at=st.integers(0, 8), change=st.integers(1, 255), count=st.integers(1, 125))
def test_one_damaged_byte_ahead_of_the_data_is_never_accepted_on_tcp(at: int, change: int, count: int) -> None:
    frame = bytearray(tcp(bytes((3, 2 * count)) + bytes(2 * count)))
    frame[at] ^= change
    assert not isinstance(judged(bytes(frame), read(Table.HOLDING, 0, count), serial=False), Accepted)


@pytest.mark.parametrize("serial", [False, True], ids=["tcp", "rtu"])
@given(rubbish=st.binary(max_size=300))
def test_rubbish_is_judged_without_an_accident(serial: bool, rubbish: bytes) -> None:  # noqa: FBT001 - pytest passes by name
    verdict = judged(rubbish, read(Table.HOLDING, 107, 60), serial=serial, unanswered=(1, 2))
    assert not isinstance(verdict, Accepted)


@given(asked=st.integers(1, 125), came=st.integers(0, 127))
def test_exactly_the_asked_count_is_accepted(asked: int, came: int) -> None:
    message = bytes((3, 2 * came)) + bytes(2 * came)
    for serial, frame in ((False, tcp(message)), (True, rtu(message))):
        accepted = judged(frame, read(Table.HOLDING, 0, asked), serial=serial) == Accepted(message)
        assert accepted == (asked == came)


def test_an_odd_byte_count_is_wrong_although_the_frame_is_sound() -> None:
    for serial, frame in ((False, tcp(b"\x03\x05" + bytes(5))), (True, rtu(b"\x03\x05" + bytes(5)))):
        assert isinstance(judged(frame, read(Table.HOLDING, 0, 3), serial=serial), Wrong)


def test_a_byte_count_that_the_frame_does_not_hold_is_wrong() -> None:
    short = struct.pack(">HHHB", TRANSACTION, 0, 5, UNIT) + b"\x03\x06\x00\x01"
    assert judged(short, read(Table.HOLDING, 0, 3), serial=False) == Wrong("frame length 11 came, 15 was asked")


def test_transaction_zero_is_not_good_enough() -> None:
    frame = tcp(b"\x03\x02\x00\x01", transaction=0)
    assert judged(frame, read(Table.HOLDING, 0, 1), serial=False) == Wrong("transaction 0 came, 5377 was asked")


def test_another_protocol_and_impossible_lengths_are_wrong() -> None:
    question = read(Table.HOLDING, 0, 1)
    assert isinstance(judged(struct.pack(">HHHB", TRANSACTION, 1, 5, UNIT), question, serial=False), Wrong)
    for length in (0, 1, 2, 255, 65535):
        assert isinstance(judged(struct.pack(">HHHB", TRANSACTION, 0, length, UNIT), question, serial=False), Wrong)


def test_old_replies_on_tcp_are_skipped_byte_by_byte_and_the_right_one_behind_is_accepted() -> None:
    late = tcp(b"\x03\x04\x00\x01\x00\x02", transaction=7) + tcp(b"\x83\x04", transaction=9)
    right = tcp(b"\x03\x02\x00\x05")
    whole = late + right
    question = read(Table.HOLDING, 0, 1)
    for cut in range(len(whole)):
        verdict = judged(whole[:cut], question, serial=False, unanswered=(7, 9))
        first, both = len(late) - 9, len(late)
        assert verdict == Unfinished(both if cut >= both else first if cut >= first else 0)
    assert judged(whole, question, serial=False, unanswered=(7, 9)) == Accepted(b"\x03\x02\x00\x05")
    assert isinstance(judged(whole, question, serial=False, unanswered=(7,)), Wrong)


@given(data=st.binary(max_size=260))
def test_the_checksum_equals_the_librarys_and_the_one_made_bit_by_bit(data: bytes) -> None:
    assert checksum(data).to_bytes(2, "little") == crc(data)
    assert checksum(data).to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(2, "big")
    assert checksum(data + crc(data)) == 0
