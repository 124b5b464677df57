"""Is this the reply to that request?

Judges the bytes that came against the request that was sent, before anything
is made of them: unit, function, length, transaction, checksum. Knows nothing
of sockets and of time.

It is strict on purpose. A Modbus library can be satisfied with another
function's reply, with too few or too many registers, or with transaction 0;
here a reply is accepted whole or not at all, and a wrong one is told from an
unfinished one at the first byte that cannot belong to it.
(Modbus Application Protocol V1.1b3; Modbus Messaging on TCP/IP V1.0b, section
3.1.3; Modbus over Serial Line V1.02, section 2.5.1.)
"""

import struct
from collections.abc import Collection
from dataclasses import dataclass

from gateway.drivers.driver import Block, Table

READ_FUNCTIONS = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}
BIT_FUNCTIONS = (1, 2)
WRITE_FUNCTION = 16
EXCEPTION_FLAG = 0x80
EXCEPTION_LENGTH = 2  # function and code

HEADER_BYTES = 7  # transaction, protocol, length, unit: the head of a TCP frame
LENGTH_COUNTS_FROM = 6  # the length field counts what follows it
SHORTEST_LENGTH, LONGEST_LENGTH = 3, 254  # unit, function and one byte; unit and the longest message
CHECKSUM_BYTES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What was asked, as far as a reply must agree with it."""

    unit_id: int
    function: int
    address: int
    count: int

    @property
    def head(self) -> bytes:
        """How a normal reply begins: function and byte count, or for a write all of it."""
        if self.function == WRITE_FUNCTION:
            return struct.pack(">BHH", self.function, self.address, self.count)
        return bytes((self.function, self.data_bytes))

    @property
    def data_bytes(self) -> int:
        """Bytes of data in a normal reply."""
        if self.function == WRITE_FUNCTION:
            return 0
        return (self.count + 7) // 8 if self.function in BIT_FUNCTIONS else 2 * self.count

    def __str__(self) -> str:
        last = self.address + self.count - 1
        return f"unit {self.unit_id}, function {self.function}, addresses {self.address} to {last}"


def read_question(block: Block) -> Question:
    """The question a read of the block puts."""
    function = READ_FUNCTIONS[block.table]
    return Question(unit_id=block.unit_id, function=function, address=block.address, count=block.count)


def write_question(block: Block) -> Question:
    """The question a write of the block puts."""
    return Question(unit_id=block.unit_id, function=WRITE_FUNCTION, address=block.address, count=block.count)


@dataclass(frozen=True, slots=True)
class Unfinished:
    """Nothing wrong so far; more must come. The first ``late_bytes`` are old replies, done with."""

    late_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Accepted:
    """The whole reply, and nothing but the reply (behind old ones on TCP): its message, from the function on."""

    message: bytes


@dataclass(frozen=True, slots=True)
class Wrong:
    """It cannot be the reply; ``text`` says what came."""

    text: str


Verdict = Unfinished | Accepted | Wrong


class _Misfit(Exception):  # noqa: N818 - a turn within this module, never an error outside
    """The message is not the one that was asked for."""


def judge_tcp(received: bytes, question: Question, *, transaction: int, unanswered: Collection[int]) -> Verdict:
    """Judge what came on a Modbus TCP connection since the request.

    Args:
        received: all bytes so far that are not done with.
        question: what was asked.
        transaction: transaction id of the request.
        unanswered: transactions given up before; their replies may still come and are skipped.
    """
    at = 0
    try:
        while at < len(received) and _is_late(received[at:], transaction, unanswered):
            end = _end_of_frame(received, at)
            if end > len(received):
                break
            at = end
        else:
            return _judge_frame(received[at:], question, at)
    except _Misfit as misfit:
        return Wrong(str(misfit))
    return Unfinished(late_bytes=at)


def judge_rtu(received: bytes, question: Question) -> Verdict:
    """Judge what came on a serial line (or its image over TCP) since the request."""
    if not received:
        return Unfinished()
    try:
        _agree("unit", received[0], question.unit_id)
        whole = 1 + _message_length(received[1:], question) + CHECKSUM_BYTES
    except _Misfit as misfit:
        return Wrong(str(misfit))
    if len(received) < whole:
        return Unfinished()
    if len(received) > whole:
        return Wrong(f"{len(received) - whole} bytes more than the reply came")
    if checksum(received) != 0:
        return Wrong("the checksum of the reply is wrong")
    return Accepted(received[1:-CHECKSUM_BYTES])


def exception_code(message: bytes) -> int | None:
    """The code when an accepted message is an exception; None when it is a normal reply."""
    return message[1] if message[0] & EXCEPTION_FLAG else None


def values_of(message: bytes, question: Question) -> tuple[int, ...]:
    """The registers or bits that an accepted normal reply to a read brings, ``question.count`` of them."""
    data = message[len(question.head) :]
    if question.function not in BIT_FUNCTIONS:
        return struct.unpack(f">{question.count}H", data)
    return tuple(data[at // 8] >> at % 8 & 1 for at in range(question.count))


def checksum(data: bytes) -> int:
    """CRC-16 of a serial line; 0 over a frame that ends with its own."""
    register = 0xFFFF
    for byte in data:
        register = (register >> 8) ^ _CRC_TABLE[(register ^ byte) & 0xFF]
    return register


def _is_late(frame: bytes, transaction: int, unanswered: Collection[int]) -> bool:
    """Whether the frame belongs to a request given up before. Raises when it belongs to none."""
    if len(frame) < HEADER_BYTES:
        return False
    came, protocol = struct.unpack_from(">HH", frame)
    _agree("protocol", protocol, 0)
    if came != transaction and came not in unanswered:
        raise _Misfit(f"transaction {came} came, {transaction} was asked")
    return bool(came != transaction)


def _end_of_frame(received: bytes, at: int) -> int:
    length = int.from_bytes(received[at + 4 : at + LENGTH_COUNTS_FROM], "big")
    if not SHORTEST_LENGTH <= length <= LONGEST_LENGTH:
        raise _Misfit(f"a frame of length {length} came, allowed is {SHORTEST_LENGTH} to {LONGEST_LENGTH}")
    return at + LENGTH_COUNTS_FROM + length


def _judge_frame(frame: bytes, question: Question, late_bytes: int) -> Verdict:
    """Judge the frame that bears the transaction of the request."""
    if len(frame) < HEADER_BYTES:
        return Unfinished(late_bytes)
    end = _end_of_frame(frame, 0)
    _agree("unit", frame[HEADER_BYTES - 1], question.unit_id)
    whole = HEADER_BYTES + _message_length(frame[HEADER_BYTES:], question)
    if len(frame) > HEADER_BYTES:
        _agree("frame length", end, whole)
    if len(frame) > end:
        raise _Misfit(f"{len(frame) - end} bytes more than the reply came")
    return Accepted(frame[HEADER_BYTES:]) if len(frame) == end else Unfinished(late_bytes)


def _message_length(message: bytes, question: Question) -> int:
    """Length of the message that begins so; raises as soon as it cannot be a reply to the question."""
    if message[:1] == bytes((question.function | EXCEPTION_FLAG,)):
        return EXCEPTION_LENGTH
    head = question.head
    if message[:1]:
        _agree("function", message[0], question.function)
    if not head.startswith(message[: len(head)]):
        raise _Misfit(f"the reply begins {message[: len(head)].hex(' ')}, asked for was {head.hex(' ')}")
    return len(head) + question.data_bytes


def _agree(what: str, came: int, asked: int) -> None:
    if came != asked:
        raise _Misfit(f"{what} {came} came, {asked} was asked")


def _crc_row(byte: int) -> int:
    for _ in range(8):
        byte = (byte >> 1) ^ 0xA001 if byte & 1 else byte >> 1
    return byte


_CRC_TABLE = [_crc_row(byte) for byte in range(256)]
