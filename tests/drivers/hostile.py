"""A Modbus peer on the loopback that answers exactly what a test tells it to, right or wrong.

It stands in for TCP devices and, with RTU framing, for a serial line behind a
converter. Frames are built here by hand, with a checksum of our own making, so
that nothing under test takes part in making the evidence.
"""

import asyncio
import contextlib
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field

WAIT_S = 5.0  # no test waits longer than this for anything


@dataclass(frozen=True, slots=True)
class Asked:
    """One request as it came in."""

    transaction: int
    unit_id: int
    function: int
    address: int
    count: int
    data: bytes = b""


@dataclass
class Peer:
    """What the peer saw, and how it answers now.

    ``script`` gets the request and the writer and may send anything. A test
    swaps it while the peer runs.
    """

    rtu: bool
    script: Callable[["Peer", Asked, asyncio.StreamWriter], Awaitable[None]]
    asked: list[Asked] = field(default_factory=list)
    connections: int = 0
    port: int = 0
    writers: list[asyncio.StreamWriter] = field(default_factory=list)
    tasks: list[asyncio.Task[None]] = field(default_factory=list)
    arrived: asyncio.Event = field(default_factory=asyncio.Event)

    async def end(self) -> None:
        """See every connection end; a script that goes on without one is a fault of the test."""
        if self.tasks:
            _, running = await asyncio.wait(self.tasks, timeout=WAIT_S)
            assert not running

    async def wait_for_request(self, number: int) -> Asked:
        """The request with that number, counted from 1."""
        async with asyncio.timeout(WAIT_S):
            while len(self.asked) < number:
                self.arrived.clear()
                await self.arrived.wait()
        return self.asked[number - 1]

    def frame(
        self, asked: Asked, message: bytes, *, transaction: int | None = None, unit_id: int | None = None
    ) -> bytes:
        """The message framed as a reply to what was asked, or on purpose not."""
        unit = asked.unit_id if unit_id is None else unit_id
        if self.rtu:
            body = bytes((unit,)) + message
            return body + crc(body)
        number = asked.transaction if transaction is None else transaction
        return struct.pack(">HHHB", number, 0, len(message) + 1, unit) + message

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection, until the other side closes it."""
        self.connections += 1
        self.writers.append(writer)
        task = asyncio.current_task()
        assert task is not None
        self.tasks.append(task)
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                asked = await (read_rtu(reader) if self.rtu else read_tcp(reader))
                self.asked.append(asked)
                self.arrived.set()
                await self.script(self, asked, writer)
        writer.close()


async def until(condition: Callable[[], bool]) -> None:
    """Wait for a condition on something that tells nobody when it changes."""
    async with asyncio.timeout(WAIT_S):
        while not condition():  # noqa: ASYNC110 - no event to wait for
            await asyncio.sleep(0.001)


async def read_tcp(reader: asyncio.StreamReader) -> Asked:
    transaction, _, length, unit_id = struct.unpack(">HHHB", await reader.readexactly(7))
    message = await reader.readexactly(length - 1)
    function, address, count = struct.unpack(">BHH", message[:5])
    return Asked(transaction, unit_id, function, address, count, message[5:])


async def read_rtu(reader: asyncio.StreamReader) -> Asked:
    head = await reader.readexactly(6)
    data = b""
    if head[1] == 16:
        size = await reader.readexactly(1)
        data = size + await reader.readexactly(size[0])
    assert crc(head + data) == await reader.readexactly(2)
    unit_id, function, address, count = struct.unpack(">BBHH", head)
    return Asked(0, unit_id, function, address, count, data)


def crc(data: bytes) -> bytes:
    """Checksum of a serial frame, bit by bit as the specification describes it."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return register.to_bytes(2, "little")


def registers_of(asked: Asked) -> list[int]:
    """What a good peer holds: every register holds 1000 times the unit plus its address."""
    return [(1000 * asked.unit_id + asked.address + i) & 0xFFFF for i in range(asked.count)]


def good_message(asked: Asked) -> bytes:
    """The right reply."""
    if asked.function == 16:
        return struct.pack(">BHH", 16, asked.address, asked.count)
    if asked.function in (1, 2):
        data = bytes((asked.count + 7) // 8)
        return bytes((asked.function, len(data))) + data
    return read_message(asked.function, registers_of(asked))


def read_message(function: int, registers: list[int]) -> bytes:
    return bytes((function, 2 * len(registers))) + b"".join(register.to_bytes(2, "big") for register in registers)


async def good(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """Answers right."""
    writer.write(peer.frame(asked, good_message(asked)))


async def silent(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
    """Says nothing."""


@contextlib.asynccontextmanager
async def peer(
    *, rtu: bool = False, script: Callable[[Peer, Asked, asyncio.StreamWriter], Awaitable[None]] = good
) -> AsyncIterator[Peer]:
    """A peer listening on a free port of the loopback."""
    made = Peer(rtu=rtu, script=script)
    server = await asyncio.start_server(made.serve, "127.0.0.1", 0)
    made.port = server.sockets[0].getsockname()[1]
    try:
        yield made
    finally:
        server.close()
        for writer in made.writers:
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()
        await made.end()
        await server.wait_closed()
