"""Modbus servers of the simulated devices: sockets, delays and manners.

One server a port. A line (RTU framing over TCP) has several units behind it
and carries one conversation at a time; a TCP device stands alone. What is
answered comes from ``modbus_pdu``; this module adds when, and whether at all.
Reply delays are plant time.
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

    def answers(self, device: str) -> bool:
        """Whether the device says anything at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manners:
    """How the devices of one port behave.

    Args:
        name: of the line or device.
        devices: behind it.
        rtu: serial framing, one conversation at a time.
        delay_s: shortest and longest reply delay, plant seconds.
        one_at_a_time: devices that drop a request which arrives while they still work on another.
        most_connections: one more is closed at once.
    """

    name: str
    devices: tuple[DeviceMap, ...]
    rtu: bool
    delay_s: tuple[float, float]
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
            async with self._line if self.manners.rtu else contextlib.nullcontext():
                await asyncio.sleep(self._draws.uniform(*self.manners.delay_s) / self._rate())
                self._reply(request, device, peer.writer)
        finally:
            self._busy.discard(device.name)

    def _reply(self, request: Request, device: DeviceMap, writer: asyncio.StreamWriter) -> None:
        if not self._registers.answers(device.name) or writer.is_closing():
            return
        framed = pdus.framed_rtu if self.manners.rtu else pdus.framed_tcp
        writer.write(framed(request, self._carried_out(request, device)))

    def _carried_out(self, request: Request, device: DeviceMap) -> bytes:
        said = pdus.answered(device, self._registers.image(device.name), request.pdu)
        if isinstance(said, WriteAsked):
            try:
                self._registers.write(address=said.address, values=said.values)
            except NotWritable:
                return pdus.exception(pdus.WRITE_REGISTERS, pdus.ILLEGAL_ADDRESS)
        return said.pdu
