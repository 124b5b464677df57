"""One client of the local socket: its bytes and its limits. Decides when it has to go; never what it is told.

Nothing here waits. What goes out is handed to the transport while that has
room; whether the client reads is seen from how the transport's buffer shrinks.
A client that breaks a limit is told why, if it still reads, and is gone
shortly after; one that does not read is cut off.
"""

import asyncio
import socket
import struct
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Protocol, cast

from gateway.field.livefeed import RING_EVENTS, Place
from gateway.local import frames
from gateway.local.messages import Hello, Message, Refusal, ToField

_CREDENTIALS = struct.Struct("3i")  # struct ucred of unix(7): process, user, group
_LIVE_ROOM_BYTES = 65_536  # the live feed waits while more than this has not been taken
_NAME_LIMIT = 64


class Ending(Enum):
    """Why a connection ended."""

    LEFT = "left"  # the client closed it, or died
    TOO_MANY_CLIENTS = "too_many_clients"
    NO_HELLO = "no_hello"  # connected and said nothing
    OTHER_VERSION = "other_version"
    BAD_FRAME = "bad_frame"  # not a frame, not a message, or not its turn
    HALF_FRAME = "half_frame"  # began a frame and did not end it
    TOO_MANY_REQUESTS = "too_many_requests"
    UNREAD = "unread"  # did not read what it was sent
    FELL_BEHIND = "fell_behind"  # read too slowly, the ring of events went past it
    STOPPED = "stopped"  # the field process stops


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How much of the field process clients may have. Durations are real seconds: they concern sockets, not the plant.

    Args:
        clients: connected at the same time.
        requests_per_s: of each client, and how many may come at once.
        asks: requests of persons that may wait for their answers, of each client.
        buffer_bytes: sent and not taken, of each client.
        ring_events: kept for clients that read slowly.
        unread_s: a client that takes nothing of what waits for it is dropped.
        hello_s: for the hello, and for a frame that has begun to become whole.
        answer_s: after which a person is told that the answer is still to come, and a reader that history is not.
        linger_s: for a client that is refused to read why, and for all to read the last events at the end.
    """

    clients: int = 16
    requests_per_s: int = 10
    asks: int = 16
    buffer_bytes: int = 1_048_576
    ring_events: int = RING_EVENTS
    unread_s: float = 5.0
    hello_s: float = 5.0
    answer_s: float = 30.0
    linger_s: float = 1.0

    @property
    def sweep_s(self) -> float:
        """How often the limits in seconds are looked at."""
        return min(self.unread_s, self.hello_s, self.linger_s) / 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Peer:
    """Who is at the other end, as the kernel tells it."""

    process: int
    user: int
    group: int


def peer_of(connected: socket.socket) -> Peer:
    """The credentials with which the other end connected (SO_PEERCRED)."""
    told = connected.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    process, user, group = _CREDENTIALS.unpack(told)
    return Peer(process=process, user=user, group=group)


class Bucket:
    """Lets a number of requests a second pass; that many at once after a second's rest."""

    def __init__(self, per_s: int, now_s: float) -> None:
        self._per_s = per_s
        self._level = float(per_s)
        self._at_s = now_s

    def take(self, now_s: float) -> bool:
        """Whether one more may pass now."""
        self._level = min(self._per_s, self._level + (now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        if self._level < 1:
            return False
        self._level -= 1
        return True


class Host(Protocol):
    """What a connection needs of the server."""

    limits: Limits

    def joined(self, client: "Connection") -> None:
        """It is connected."""

    def took(self, client: "Connection", message: ToField) -> None:
        """It said something, and may."""

    def has_room(self, client: "Connection") -> None:
        """It has taken most of what waited for it."""

    def ended(self, client: "Connection", ending: Ending) -> None:
        """It is to go; nothing of it counts any more."""

    def gone(self, client: "Connection") -> None:
        """The connection is closed."""


class Connection(asyncio.Protocol):
    """One client, from connecting to being gone.

    Args:
        host: the server.
        now: real monotonic seconds.
    """

    def __init__(self, host: Host, now: Callable[[], float]) -> None:
        self._host = host
        self._limits = host.limits
        self._now = now
        self._decoder = frames.to_field()
        self._bucket = Bucket(host.limits.requests_per_s, now())
        self._given_bytes = 0
        self._taken_bytes = 0
        self._half_since_s: float | None = None
        self._unread_since_s: float | None = None
        self._since_s = now()  # when it connected, or when it began to end
        self.ending: Ending | None = None
        self.greeting: Hello | None = None
        self.paused = False
        self.place: Place | None = None  # in the live feed, once it watches
        self.reads_history = False
        self.asks = 0

    # --- called by asyncio ---------------------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """See asyncio."""
        self._transport = cast("asyncio.Transport", transport)
        self._transport.set_write_buffer_limits(high=_LIVE_ROOM_BYTES)
        self.peer = peer_of(self._transport.get_extra_info("socket"))
        self._host.joined(self)

    def data_received(self, data: bytes) -> None:
        """See asyncio."""
        if self.ending is not None:
            return
        try:
            whole = self._decoder.feed(data)
            for message, _ in whole:
                self._take(message)
            self._decoder.feed(b"")  # raises what was found behind the whole ones
        except frames.FrameError as fault:
            self.refuse(Ending.BAD_FRAME, str(fault))
            return
        self._note_half_frame(began=bool(whole))

    def pause_writing(self) -> None:
        """See asyncio."""
        self.paused = True

    def resume_writing(self) -> None:
        """See asyncio."""
        self.paused = False
        self._host.has_room(self)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - given by asyncio; both ways it has left
        """See asyncio."""
        self._end(Ending.LEFT)
        self._host.gone(self)

    # --- called by the server ------------------------------------------------------------------------------

    def __str__(self) -> str:
        name = self.greeting.client[:_NAME_LIMIT] if self.greeting else ""
        return f"client {name!r}, process {self.peer.process}, user {self.peer.user}"

    def tell(self, message: Message, attachment: bytes = b"") -> None:
        """Send one message.

        Raises:
            FrameTooLarge: it does not fit into a frame; nothing was sent.
        """
        self.send(frames.encode(message, attachment))

    def send(self, framed: bytes) -> None:
        """Send whole frames; a client with too much unread is cut off instead."""
        if self.ending is not None:
            return
        waiting = self._transport.get_write_buffer_size()
        if waiting and waiting + len(framed) > self._limits.buffer_bytes:
            self.cut(Ending.UNREAD)
            return
        self._given_bytes += len(framed)
        self._transport.write(framed)

    def refuse(self, ending: Ending, text: str) -> None:
        """Say why, and end; the client has a moment to read it."""
        if self.ending is not None:
            return
        self.tell(Refusal(text=text))
        if self.ending is None:
            self._transport.write_eof()
            self._end(ending)

    def cut(self, ending: Ending) -> None:
        """End at once."""
        self._end(ending)
        self._transport.abort()

    def finish(self) -> None:
        """End when what waits has been taken."""
        self._end(Ending.STOPPED)
        self._transport.close()

    def check(self) -> None:
        """Look at the limits in seconds; to be called every ``limits.sweep_s``."""
        now_s = self._now()
        if self.ending is not None:
            if now_s - self._since_s >= self._limits.linger_s:
                self._transport.abort()
        elif self._takes_nothing(now_s):
            self.cut(Ending.UNREAD)
        elif self.greeting is None and now_s - self._since_s >= self._limits.hello_s:
            self.refuse(Ending.NO_HELLO, f"no hello within {self._limits.hello_s:g} s of connecting")
        elif self._half_since_s is not None and now_s - self._half_since_s >= self._limits.hello_s:
            self.refuse(Ending.HALF_FRAME, f"a frame began and did not end within {self._limits.hello_s:g} s")

    # --- inside --------------------------------------------------------------------------------------------

    def _take(self, message: ToField) -> None:
        if self.ending is not None:
            return
        if self.greeting is not None and not self._bucket.take(self._now()):
            self.refuse(
                Ending.TOO_MANY_REQUESTS,
                f"more than {self._limits.requests_per_s} requests a second; connect again and ask more slowly",
            )
            return
        self._host.took(self, message)

    def _note_half_frame(self, *, began: bool) -> None:
        if not self._decoder.pending_bytes:
            self._half_since_s = None
        elif began or self._half_since_s is None:
            self._half_since_s = self._now()

    def _takes_nothing(self, now_s: float) -> bool:
        """Whether something waits for the client, and it has taken nothing of it for too long."""
        waiting = self._transport.get_write_buffer_size()
        taken_bytes = self._given_bytes - waiting
        if not waiting:
            self._unread_since_s = None
        elif taken_bytes > self._taken_bytes or self._unread_since_s is None:
            self._unread_since_s = now_s
        self._taken_bytes = taken_bytes
        return self._unread_since_s is not None and now_s - self._unread_since_s >= self._limits.unread_s

    def _end(self, ending: Ending) -> None:
        if self.ending is None:
            self.ending = ending
            self._since_s = self._now()
            self._host.ended(self, ending)
