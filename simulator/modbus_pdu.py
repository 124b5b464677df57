"""Modbus requests answered and framed, byte by byte. Pure.

Written from the Modbus Application Protocol V1.1b3 and the serial line guide,
without a library, so that the gateway's driver meets an implementation that
shares no code with it. Decides what a request is answered with; knows no
socket and no time.
"""

import struct
from dataclasses import dataclass

from simulator.devices import COILS, DISCRETE_INPUTS, HOLDING_REGISTERS, INPUT_REGISTERS, DeviceMap, Image

TABLES = {"coil": COILS, "discrete": DISCRETE_INPUTS, "holding": HOLDING_REGISTERS, "input": INPUT_REGISTERS}
WRITE_SINGLE_COIL, WRITE_SINGLE_REGISTER, WRITE_COILS, WRITE_REGISTERS = 5, 6, 15, 16
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
MOST_BITS, MOST_REGISTERS, MOST_WRITTEN = 2000, 125, 123
EXCEPTION_FLAG = 0x80

MBAP = struct.Struct(">HHHB")
MBAP_REST_LEAST, MBAP_REST_MOST = 2, 254  # unit id and PDU
RTU_LEAST, RTU_MOST = 4, 256


class NotModbus(Exception):  # noqa: N818 - named for what is the case
    """Bytes that cannot be a Modbus TCP stream; the connection is of no more use."""


@dataclass(frozen=True, slots=True)
class Answer:
    """Send this PDU back."""

    pdu: bytes


@dataclass(frozen=True, slots=True)
class WriteAsked:
    """A well-formed function-16 request: carry it out, then send ``pdu``, or exception 02 if that is refused."""

    address: int
    values: tuple[int, ...]
    pdu: bytes


def exception(function: int, code: int) -> bytes:
    """The PDU of an exception."""
    return bytes((function | EXCEPTION_FLAG, code))


def answered(device: DeviceMap, image: Image, pdu: bytes) -> Answer | WriteAsked:
    """What a device says to a request.

    Args:
        device: its map and manners.
        image: its registers now.
        pdu: function code and data as received, at least one byte.
    """
    function, data = pdu[0], pdu[1:]
    if function == WRITE_REGISTERS and device.writable:
        return _write(data)
    if function not in image.tables:
        return Answer(exception(function, ILLEGAL_FUNCTION))
    if len(data) != 4:
        return Answer(exception(function, ILLEGAL_VALUE))
    address, count = struct.unpack(">HH", data)
    return Answer(_read(device, image, function, address=address, count=count))


def _read(device: DeviceMap, image: Image, function: int, *, address: int, count: int) -> bytes:
    bits = function in (COILS, DISCRETE_INPUTS)
    if not 1 <= count <= (MOST_BITS if bits else MOST_REGISTERS):
        return exception(function, ILLEGAL_VALUE)
    table = image.tables[function]
    too_long = not bits and count > device.longest_read
    if too_long or any(at not in table for at in (address, address + count - 1)):
        return exception(function, ILLEGAL_ADDRESS)
    words = [table[at] for at in range(address, address + count)]
    body = _packed_bits(words) if bits else struct.pack(f">{count}H", *words)
    return bytes((function, len(body))) + body


def _packed_bits(bits: list[int]) -> bytes:
    """Eight to a byte, the first one lowest."""
    packed = sum(bit << at for at, bit in enumerate(bits))
    return packed.to_bytes((len(bits) + 7) // 8, "little")


def _write(data: bytes) -> Answer | WriteAsked:
    if len(data) < 5:
        return Answer(exception(WRITE_REGISTERS, ILLEGAL_VALUE))
    address, count, size = struct.unpack(">HHB", data[:5])
    if not 1 <= count <= MOST_WRITTEN or size != 2 * count or len(data) != 5 + size:
        return Answer(exception(WRITE_REGISTERS, ILLEGAL_VALUE))
    values = struct.unpack(f">{count}H", data[5:])
    return WriteAsked(address, values, struct.pack(">BHH", WRITE_REGISTERS, address, count))


@dataclass(frozen=True, slots=True)
class Request:
    """One request off the wire; ``transaction`` is 0 on a serial line."""

    unit_id: int
    pdu: bytes
    transaction: int = 0


def split_tcp(received: bytes) -> tuple[list[Request], bytes]:
    """Whole Modbus TCP requests, and what is left over.

    Raises:
        NotModbus: another protocol id, or a length no request can have.
    """
    requests: list[Request] = []
    while len(received) >= MBAP.size:
        transaction, protocol, rest, unit_id = MBAP.unpack_from(received)
        if protocol or not MBAP_REST_LEAST <= rest <= MBAP_REST_MOST:
            raise NotModbus(f"protocol id {protocol}, length {rest}; 0 and 2 to 254 are allowed")
        if len(received) < MBAP.size - 1 + rest:
            break
        requests.append(Request(unit_id, received[MBAP.size : MBAP.size - 1 + rest], transaction))
        received = received[MBAP.size - 1 + rest :]
    return requests, received


def framed_tcp(request: Request, pdu: bytes) -> bytes:
    """A reply to a request in Modbus TCP framing."""
    return MBAP.pack(request.transaction, 0, len(pdu) + 1, request.unit_id) + pdu


def crc(data: bytes) -> bytes:
    """CRC-16 of a serial frame, low byte first as sent."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value.to_bytes(2, "little")


def split_rtu(received: bytes) -> tuple[list[Request], bytes]:
    """Whole serial requests, and what is left over.

    A frame has no length of its own: the function code tells it. What does
    not check is thrown away whole, as a device does that waits for the line
    to fall silent.
    """
    requests: list[Request] = []
    while size := _rtu_size(received):
        frame, received = received[:size], received[size:]
        if crc(frame[:-2]) != frame[-2:]:
            return requests, b""
        requests.append(Request(frame[0], frame[1:-2]))
    return requests, received


def framed_rtu(request: Request, pdu: bytes) -> bytes:
    """A reply to a request in serial framing."""
    body = bytes((request.unit_id,)) + pdu
    return body + crc(body)


def _rtu_size(received: bytes) -> int:
    """Bytes of the first frame; 0 while that is not complete."""
    if len(received) < RTU_LEAST:
        return 0
    if received[1] in (WRITE_COILS, WRITE_REGISTERS):
        size = 9 + received[6] if len(received) > 6 else RTU_MOST
    elif received[1] in (
        COILS,
        DISCRETE_INPUTS,
        HOLDING_REGISTERS,
        INPUT_REGISTERS,
        WRITE_SINGLE_COIL,
        WRITE_SINGLE_REGISTER,
    ):
        size = 8
    else:
        size = len(received)  # a function nobody here has: all that came is one frame
    return size if len(received) >= size else 0
