"""The bytes of a request, from the question it puts. Pure.

Framed for Modbus TCP, with a transaction id, or as on a serial line, with a
checksum. Decides nothing: whether a block may be asked or written is for
``connection``, and what comes back for ``reply``.
(Modbus Application Protocol V1.1b3, sections 6.1 to 6.4 and 6.12; Modbus
Messaging on TCP/IP V1.0b, section 3.1.3; Modbus over Serial Line V1.02,
section 2.5.1.)
"""

import struct
from collections.abc import Sequence

from gateway.drivers.modbus.reply import Question, checksum


def read_message(question: Question) -> bytes:
    """Function, first address and count of a read."""
    return struct.pack(">BHH", question.function, question.address, question.count)


def write_message(question: Question, values: Sequence[int]) -> bytes:
    """A write of registers, ``question.count`` values 0..65535."""
    head = struct.pack(">BHHB", question.function, question.address, question.count, 2 * question.count)
    return head + struct.pack(f">{question.count}H", *values)


def tcp_frame(unit_id: int, message: bytes, *, transaction: int) -> bytes:
    """The message as it goes over a Modbus TCP connection."""
    return struct.pack(">HHHB", transaction, 0, 1 + len(message), unit_id) + message


def rtu_frame(unit_id: int, message: bytes) -> bytes:
    """The message as it goes over a serial line, or its image over TCP."""
    body = bytes((unit_id,)) + message
    return body + checksum(body).to_bytes(2, "little")
