"""A Modbus TCP device that notes when it answered and when it was written to. Written by hand, on asyncio alone.

It is one controller with an output block, and beside it units that each hold
the cause of one trip. A cause comes at a moment of chance; once the permit is
seen to be withdrawn the cause goes, and once the permit is back the next one
comes, after a pause of chance. Judges nothing: it keeps the stamps.
"""

import asyncio
import contextlib
import random
import struct
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

CONTROLLER, BULK, FIRST_CAUSE = 1, 2, 11  # unit ids
BLOCK_ADDRESS = 100
GIVEN, WITHDRAWN = 42_405, 0
BEYOND_LIMIT = 100
_PAUSE_S = (0.1, 1.1)  # a whole scan period wide, so that no phase of it is preferred
_HEAD_BYTES = 7
_READ, _WRITE = 3, 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """Stamps of one trip, monotonic seconds.

    Args:
        channel: which permit.
        changed_s: the register changed.
        replied_s: just before the first reply with it was handed to the network.
        written_s: the write with the permit withdrawn was there.
    """

    channel: int
    changed_s: float
    replied_s: float
    written_s: float


@dataclass(slots=True)
class _Channel:
    """One cause and its permit."""

    register: int = 0
    permit: int = GIVEN
    changed_s: float = 0.0
    replied_s: float | None = None
    waits: bool = False  # for the permit to be given, before the next cause


@dataclass
class Peer:
    """The device.

    Args:
        channels: how many permits and causes.
        seed: of its chances.
        ports: how many to listen on; a site has one connection to one place.
        slowest_reply_s: a cause is told after a time of chance, at most this. The gateway asks and scans on grids
            that keep their distance for as long as it runs; so the replies fall into every phase of the scan.

    Attributes:
        trips: so far.
        first_write_s: monotonic seconds of the first write; None before it.
        reads: answered reads.
    """

    channels: int
    ports: int
    slowest_reply_s: float = 0.4
    seed: int = 1
    trips: list[Trip] = field(default_factory=list)
    first_write_s: float | None = None
    reads: int = 0

    def __post_init__(self) -> None:
        self._draws = random.Random(self.seed)  # noqa: S311 - no secret
        self._causes = [_Channel() for _ in range(self.channels)]
        self._block = [0, *(GIVEN for _ in range(self.channels))]  # the heartbeat first
        self._servers: list[asyncio.Server] = []
        self._conversations: list[_Conversation] = []

    async def start(self) -> list[int]:
        """Listen on free ports of the loopback; the same device is behind each. Returns the ports."""
        loop = asyncio.get_running_loop()
        for _ in range(self.ports):
            self._servers.append(await loop.create_server(self._conversation, "127.0.0.1", 0))
        return [int(server.sockets[0].getsockname()[1]) for server in self._servers]

    async def stop(self) -> None:
        """Stop listening, and hang up on everybody."""
        for server in self._servers:
            server.close()
        for conversation in self._conversations:
            conversation.hang_up()
        await asyncio.sleep(0)  # the connections are closed in the next turn of the loop

    def _conversation(self) -> "_Conversation":
        self._conversations.append(_Conversation(self._answer))
        return self._conversations[-1]

    def play(self) -> None:
        """From now on causes come, one after the other in each channel."""
        for channel in self._causes:
            channel.waits = channel.permit != GIVEN
            if not channel.waits:
                self._cause_soon(channel)

    def _cause_soon(self, channel: _Channel) -> None:
        asyncio.get_running_loop().call_later(self._draws.uniform(*_PAUSE_S), self._cause, channel)

    def _cause(self, channel: _Channel) -> None:
        channel.register, channel.changed_s, channel.replied_s = BEYOND_LIMIT, time.monotonic(), None

    def _answer(self, unit: int, pdu: bytes, send: Callable[[bytes], None]) -> None:
        """One request, whole; ``send`` takes the answer."""
        now_s = time.monotonic()
        function, address, count = struct.unpack(">BHH", pdu[:5])
        if function == _WRITE and unit == CONTROLLER:
            self._written(now_s, struct.unpack(f">{count}H", pdu[6:]))
            send(pdu[:5])
        elif function == _READ and unit >= FIRST_CAUSE:
            takes_s = self._draws.uniform(0.0, self.slowest_reply_s)
            asyncio.get_running_loop().call_later(takes_s, self._read, unit, address, count, send)
        elif function == _READ:
            self._read(unit, address, count, send)
        else:
            send(bytes((function | 0x80, 1)))

    def _read(self, unit: int, address: int, count: int, send: Callable[[bytes], None]) -> None:
        words = self._words(unit, address, count)
        self._replied(unit, time.monotonic())
        send(struct.pack(f">BB{count}H", _READ, 2 * count, *words))

    def _words(self, unit: int, address: int, count: int) -> list[int]:
        self.reads += 1
        if unit == CONTROLLER:
            return self._block[address - BLOCK_ADDRESS :][:count]
        if unit == BULK:  # float32 about 50, another one at each read
            values = (self._draws.gauss(50.0, 1.0) for _ in range((count + 1) // 2))
            return [word for value in values for word in struct.unpack(">HH", struct.pack(">f", value))][:count]
        return [self._causes[unit - FIRST_CAUSE].register]

    def _replied(self, unit: int, now_s: float) -> None:
        if unit >= FIRST_CAUSE:
            channel = self._causes[unit - FIRST_CAUSE]
            if channel.register and channel.replied_s is None:
                channel.replied_s = now_s

    def _written(self, now_s: float, words: tuple[int, ...]) -> None:
        self.first_write_s = self.first_write_s or now_s
        self._block = list(words)
        for number, (channel, permit) in enumerate(zip(self._causes, words[1:], strict=True)):
            before, channel.permit = channel.permit, permit
            if permit == WITHDRAWN != before and channel.replied_s is not None:
                trip = Trip(channel=number, changed_s=channel.changed_s, replied_s=channel.replied_s, written_s=now_s)
                self.trips.append(trip)
                channel.register, channel.waits = 0, True
            elif permit == GIVEN and channel.waits:
                channel.waits = False
                self._cause_soon(channel)

    @property
    def given(self) -> bool:
        """Whether every permit stands."""
        return all(word == GIVEN for word in self._block[1:])


class _Conversation(asyncio.Protocol):
    """Cuts a stream into requests; a request may come in pieces, and several at once."""

    def __init__(self, answer: Callable[[int, bytes, Callable[[bytes], None]], None]) -> None:
        self._answer = answer
        self._left = b""
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        self._left += data
        while len(self._left) >= _HEAD_BYTES:
            number, _, length, unit = struct.unpack(">HHHB", self._left[:_HEAD_BYTES])
            end = _HEAD_BYTES - 1 + length
            if len(self._left) < end:
                return
            pdu, self._left = self._left[_HEAD_BYTES:end], self._left[end:]
            self._answer(unit, pdu, lambda said, number=number, unit=unit: self._send(number, unit, said))  # type: ignore[misc]

    def hang_up(self) -> None:
        if self._transport is not None:
            self._transport.abort()  # an answer that is still to come goes nowhere

    def _send(self, number: int, unit: int, pdu: bytes) -> None:
        assert self._transport is not None
        self._transport.write(struct.pack(">HHHB", number, 0, len(pdu) + 1, unit) + pdu)


@contextlib.contextmanager
def running(channels: int, ports: int) -> Iterator[tuple[Peer, list[int], Callable[[], None]]]:
    """A device in a thread and an event loop of its own: it, its ports, and what makes the causes begin."""
    peer = Peer(channels=channels, ports=ports)
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    try:
        listening = asyncio.run_coroutine_threadsafe(peer.start(), loop).result(10.0)
        yield peer, listening, lambda: _in_loop(loop, peer.play)
    finally:
        asyncio.run_coroutine_threadsafe(peer.stop(), loop).result(10.0)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10.0)
        loop.close()


def _in_loop(loop: asyncio.AbstractEventLoop, what: Callable[[], None]) -> None:
    loop.call_soon_threadsafe(what)
