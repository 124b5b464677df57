"""Modbus servers of the simulated devices: sockets, delays and manners.

One server a port. A line (RTU framing over TCP) has several units behind it
and carries one conversation at a time; a TCP device stands alone. What is
answered comes from ``modbus_pdu``; this module adds when, whether at all, and
what the line makes of it. Reply delays and the bytes' time on the line are
plant time.
"""

import asyncio
import contextlib
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from simulator import modbus_pdu as pdus
from simulator.controller import NotWritable
from simulator.devices import DeviceMap, Image
from simulator.modbus_pdu import Request, WriteAsked

RECEIVE_BYTES = 4_096
MOST_LEFT_OVER_BYTES = 600
MOST_WAITING = 16  # requests of one connection; what comes on top is not answered


class Registers(Protocol):
    """What the servers need of the plant."""

    def image(self, device: str) -> Image:
        """What a device would answer now."""

    def write(self, *, address: int, values: tuple[int, ...]) -> None:
        """A function-16 request; raises NotWritable."""

    def deaf(self, device: str) -> bool:
        """Whether the device says nothing at all."""

    def slow_s(self, device: str) -> float:
        """How much longer than usual it takes, plant seconds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manners:
    """How the devices of one port behave.

    Args:
        name: of the line or device.
        devices: behind it.
        rtu: serial framing, one conversation at a time.
        delay_s: shortest and longest reply delay, plant seconds.
        byte_s: what a byte takes on the line, plant seconds; 0 for a network.
        spoiled: share of replies that arrive with a wrong CRC.
        one_at_a_time: devices that drop a request which arrives while they still work on another.
        most_connections: one more is closed at once.
    """

    name: str
    devices: tuple[DeviceMap, ...]
    rtu: bool
    delay_s: tuple[float, float]
    byte_s: float = 0.0
    spoiled: float = 0.0
    one_at_a_time: frozenset[str] = frozenset()
    most_connections: int = 4


@dataclass(slots=True, eq=False)
class _Peer:
    """One connection and the requests of it that are being worked on."""

    writer: asyncio.StreamWriter
    tasks: set[asyncio.Task[None]] = field(default_factory=set)


class ModbusServer:
    """The devices behind one port on the loopback.

    Args:
        manners: of the line or device.
        registers: the plant.
        rate: plant seconds a second, asked at every reply.
        draws: seeded, for the delays.
    """

    def __init__(
        self, manners: Manners, registers: Registers, *, rate: Callable[[], float], draws: random.Random
    ) -> None:
        self.manners = manners
        self.port = 0
        self._registers = registers
        self._rate = rate
        self._draws = draws
        self._units = {device.unit_id: device for device in manners.devices}
        self._line = asyncio.Lock()
        self._busy: set[str] = set()
        self._peers: set[_Peer] = set()
        self._server: asyncio.Server | None = None

    async def start(self, port: int = 0) -> int:
        """Listen.

        Args:
            port: 0 takes a free one.

        Returns:
            the port.

        Raises:
            OSError: the port is taken.
        """
        self._server = await asyncio.start_server(self._converse, "127.0.0.1", port)
        self.port = int(self._server.sockets[0].getsockname()[1])
        return self.port

    async def stop(self) -> None:
        """Close the port and every connection."""
        if self._server is None:
            return
        self._server.close()
        for peer in tuple(self._peers):
            self._dismiss(peer)
        await self._server.wait_closed()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection, until the other side or we have had enough."""
        if len(self._peers) >= self.manners.most_connections:
            writer.close()
            return
        peer = _Peer(writer)
        self._peers.add(peer)
        try:
            await self._listen(reader, peer)
        except (ConnectionError, pdus.NotModbus):
            pass  # the peer is gone or talks nonsense: a device hangs up and waits for the next
        finally:
            self._peers.discard(peer)
            self._dismiss(peer)

    def _dismiss(self, peer: _Peer) -> None:
        for task in tuple(peer.tasks):
            task.cancel()
        peer.writer.close()

    async def _listen(self, reader: asyncio.StreamReader, peer: _Peer) -> None:
        split = pdus.split_rtu if self.manners.rtu else pdus.split_tcp
        left_over = b""
        while received := await reader.read(RECEIVE_BYTES):
            requests, left_over = split(left_over + received)
            left_over = left_over if len(left_over) <= MOST_LEFT_OVER_BYTES else b""
            for request in requests:
                self._take(request, peer)

    def _take(self, request: Request, peer: _Peer) -> None:
        """Begin to work on a request, unless nobody is there to do so."""
        device = self._units.get(request.unit_id)
        if device is None or len(peer.tasks) >= MOST_WAITING or not request.pdu:
            return
        if device.name in self._busy and device.name in self.manners.one_at_a_time:
            return
        self._busy.add(device.name)
        task = asyncio.create_task(self._work(request, device, peer))
        peer.tasks.add(task)
        task.add_done_callback(peer.tasks.discard)

    async def _work(self, request: Request, device: DeviceMap, peer: _Peer) -> None:
        try:
            # Whoever is slow leaves the line to the others until its answer comes, too late, in between.
            await self._pass(self._registers.slow_s(device.name))
            async with self._line if self.manners.rtu else contextlib.nullcontext():
                await self._pass(_bytes_of(request) * self.manners.byte_s + self._draws.uniform(*self.manners.delay_s))
                if self._registers.deaf(device.name):
                    return
                reply = self._on_the_line(request, self._carried_out(request, device))
                await self._pass(len(reply) * self.manners.byte_s)
                if not peer.writer.is_closing():
                    peer.writer.write(reply)
        finally:
            self._busy.discard(device.name)

    async def _pass(self, plant_s: float) -> None:
        """Let plant time pass."""
        if plant_s > 0:
            await asyncio.sleep(plant_s / self._rate())

    def _on_the_line(self, request: Request, pdu: bytes) -> bytes:
        """The reply as it arrives: framed, and now and then spoiled on the way."""
        if not self.manners.rtu:
            return pdus.framed_tcp(request, pdu)
        framed = pdus.framed_rtu(request, pdu)
        if self.manners.spoiled and self._draws.random() < self.manners.spoiled:
            return framed[:-1] + bytes((framed[-1] ^ 0xFF,))
        return framed

    def _carried_out(self, request: Request, device: DeviceMap) -> bytes:
        said = pdus.answered(device, self._registers.image(device.name), request.pdu)
        if isinstance(said, WriteAsked):
            try:
                self._registers.write(address=said.address, values=said.values)
            except NotWritable:
                return pdus.exception(pdus.WRITE_REGISTERS, pdus.ILLEGAL_ADDRESS)
        return said.pdu


def _bytes_of(request: Request) -> int:
    """Length of a request on a serial line: unit id, PDU, CRC."""
    return 1 + len(request.pdu) + 2
