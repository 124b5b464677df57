"""The devices that are polled: libmodbus, in a process of its own, the same for the gateway and for the bare library.

``python -m tests.bench.libmodbus_peer`` prints its port and answers any number of
connections until its standard input ends. Every reply takes the next of a few
register images, so that what is read moves. Nothing of the gateway is in it.
"""

import contextlib
import ctypes
import random
import selectors
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator

REGISTERS = 500
APART = 12
"""Registers from one number to the next; 125 registers hold ten of them, and something to skip."""

_IMAGES = 16
_LONGEST_REQUEST = 260


class Mapping(ctypes.Structure):
    """``modbus_mapping_t`` of libmodbus 3.1."""

    _fields_ = (
        *((name, ctypes.c_int) for name in ("nb_bits", "start_bits", "nb_input_bits", "start_input_bits")),
        *((name, ctypes.c_int) for name in ("nb_input", "start_input", "nb_holding", "start_holding")),
        ("bits", ctypes.POINTER(ctypes.c_uint8)),
        ("input_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("input", ctypes.POINTER(ctypes.c_uint16)),
        ("holding", ctypes.POINTER(ctypes.c_uint16)),
    )


def _library() -> ctypes.CDLL:
    loaded = ctypes.CDLL("libmodbus.so.5", use_errno=True)
    loaded.modbus_new_tcp.restype = ctypes.c_void_p
    loaded.modbus_new_tcp.argtypes = [ctypes.c_char_p, ctypes.c_int]
    loaded.modbus_mapping_new.restype = ctypes.POINTER(Mapping)
    loaded.modbus_set_socket.argtypes = [ctypes.c_void_p, ctypes.c_int]
    loaded.modbus_receive.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    loaded.modbus_reply.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(Mapping)]
    return loaded


def _images(library: ctypes.CDLL) -> "list[ctypes._Pointer[Mapping]]":
    """Register images with a number every twelve registers of each 125, about 50, a little other in each image."""
    dice = random.Random(1)  # noqa: S311 - noise of instruments
    images = [library.modbus_mapping_new(0, 0, REGISTERS, 0) for _ in range(_IMAGES)]
    for image in images:
        for start in range(0, REGISTERS, 125):
            for at in range(start, start + 10 * APART, APART):
                words = struct.unpack(">HH", struct.pack(">f", dice.gauss(50, 4)))
                image.contents.holding[at], image.contents.holding[at + 1] = words
    return images


class _Answering:
    """Answers whatever arrives on any connection."""

    def __init__(self) -> None:
        self._library = _library()
        self._images = _images(self._library)
        self._context = self._library.modbus_new_tcp(b"127.0.0.1", 0)
        self._query = ctypes.create_string_buffer(_LONGEST_REQUEST)
        self._turn = 0

    def answer(self, connection: socket.socket) -> bool:
        """One request; False when the connection has ended."""
        self._library.modbus_set_socket(self._context, connection.fileno())
        length = self._library.modbus_receive(self._context, self._query)
        if length > 0:
            self._turn += 1
            self._library.modbus_reply(self._context, self._query, length, self._images[self._turn % _IMAGES])
        return bool(length >= 0)


def main() -> int:
    """Serve until standard input ends. Returns the exit code."""
    answering, selector = _Answering(), selectors.DefaultSelector()
    listening = socket.create_server(("127.0.0.1", 0), backlog=256)
    selector.register(listening, selectors.EVENT_READ)
    selector.register(sys.stdin, selectors.EVENT_READ)
    sys.stdout.write(f"{listening.getsockname()[1]}\n")
    sys.stdout.flush()
    while True:
        for key, _ in selector.select():
            if key.fileobj is sys.stdin:
                return 0
            if key.fileobj is listening:
                connection, _ = listening.accept()
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                selector.register(connection, selectors.EVENT_READ)
            elif isinstance(key.fileobj, socket.socket) and not answering.answer(key.fileobj):
                selector.unregister(key.fileobj)
                key.fileobj.close()


@contextlib.contextmanager
def running() -> Iterator[int]:
    """The devices in another process; gives their port."""
    command = [sys.executable, "-m", "tests.bench.libmodbus_peer"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            yield int(process.stdout.readline())
        finally:
            process.stdin.close()
            process.wait(10)


if __name__ == "__main__":
    sys.exit(main())
