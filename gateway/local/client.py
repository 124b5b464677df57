"""A client of the local socket, for the uplink, the page and the command line. Carries; decides nothing.

One task reads the connection and sorts what comes: answers to whoever waits
for them, the live feed to the one who watches. Every wait has a time-out. The
client keeps below the number of requests a second that the field process
allows, by waiting before it sends.

    FieldError
    ├── FieldAway            nobody listens, or the connection was lost
    │   └── FieldSilent      connected, and the live feed says nothing any more
    ├── NoAccess             the file system does not let this user reach the socket
    ├── NoReply              connected, and no answer in time
    ├── ProtocolRefused      the field process ended it and said why, speaks another version, or no sense
    ├── LiveFeedUnread       the live feed was not read fast enough here; catch up from the history
    └── HistoryUnreadable    this piece of history could not be read; the connection stays, ask again later

After NoReply, FieldSilent and HistoryUnreadable the connection still stands; after the others it is gone: connect
again, with a back-off.
"""

import asyncio
import itertools
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Self, TypeVar

from gateway.local import frames
from gateway.local.messages import (
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    Answered,
    Ask,
    AskAfar,
    AskHistory,
    AskStatus,
    ChunkHeader,
    Confirm,
    FromField,
    Hello,
    History,
    JournalEntry,
    LiveEvent,
    Message,
    Refusal,
    Status,
    Values,
    Watch,
    entries_of,
)
from gateway.local.signed import digest

HISTORY_BYTES = 262_144  # asked for at a time
_JOURNAL = "journal"
_BEYOND_N = 2**62  # after every number there is: asks for nothing but where the end stands
LIVE_LIMIT = 20_000  # events and tag values that may wait to be read: twice what the field process keeps of events

_READ_BYTES = 65_536
_GAP_S = 0.125  # between requests, when more than a few are made: the field process allows ten a second
_AT_ONCE = 5
_HELLO_KEY = 0

T = TypeVar("T")
Live = Values | LiveEvent
Reply = tuple[FromField, bytes]


class FieldError(Exception):
    """Root of all that can go wrong between a client and the field process."""


class FieldAway(FieldError):  # noqa: N818 - named for what is the case
    """Nobody listens at the socket, or the connection was lost."""


class FieldSilent(FieldAway):
    """The connection stands, and the live feed has said nothing for too long."""


class NoAccess(FieldError):  # noqa: N818 - named for what is the case
    """The file system does not let this user reach the socket."""


class NoReply(FieldError):  # noqa: N818 - named for what is the case
    """The connection stands, and an answer did not come in time."""


class ProtocolRefused(FieldError):  # noqa: N818 - named for what is the case
    """The field process refused, speaks another major version, or said something that makes no sense."""


class LiveFeedUnread(FieldError):  # noqa: N818 - named for what is the case
    """The live feed came faster than it was read here, and the connection was dropped."""


class HistoryUnreadable(FieldError):  # noqa: N818 - named for what is the case
    """The field process could not read this piece of history this time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Waits:
    """How long the client waits, in real seconds.

    Args:
        connect_s: for the connection and the hello.
        reply_s: for a status, and for a request to be taken.
        history_s: for a piece of history; the field process itself gives up after 30.
        answer_s: for the answer to a person's request; the field process says after 30 that it is still to come.
        silence_s: between two messages of the live feed; there is one a scan.
    """

    connect_s: float = 5.0
    reply_s: float = 5.0
    history_s: float = 35.0
    answer_s: float = 35.0
    silence_s: float = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryPart:
    """A piece of history, as stored; nothing in it has been decoded or checked but the sizes.

    Args:
        chunks: header and body of each.
        newest_n: the newest committed number of the stream.
        gap: why the first chunk does not follow the position asked for; empty when it does.
    """

    chunks: tuple[tuple[ChunkHeader, bytes], ...]
    newest_n: int
    gap: str


class _LiveBuffer:
    """What the live feed brought and nobody has read yet. When it is full the connection has to be dropped."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._waiting: deque[Live] = deque()
        self._size = 0
        self.news = asyncio.Event()

    def put(self, message: Live) -> None:
        size = _size(message)
        if self._size + size > self._limit:
            raise LiveFeedUnread(
                f"{self._size} events and values of the live feed wait to be read, at most {self._limit} may;"
                " connect again and catch up from the history"
            )
        self._waiting.append(message)
        self._size += size
        self.news.set()

    def take(self) -> Live | None:
        if not self._waiting:
            return None
        message = self._waiting.popleft()
        self._size -= _size(message)
        return message


def _size(message: Live) -> int:
    return 1 + (len(message.values) if isinstance(message, Values) else 0)


class FieldClient:
    """A connection to the field process; make it with :meth:`connect`, end it with :meth:`close` or ``async with``.

    Attributes:
        hello: what the field process said of itself.
    """

    hello: Hello

    def __init__(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, waits: Waits, live_limit: int
    ) -> None:
        self._reader = reader
        self._writer = writer
        self._waits = waits
        self._live = _LiveBuffer(live_limit)
        self._watching = False
        self._lost: FieldError | None = None
        self._ids = itertools.count(_HELLO_KEY + 1)
        self._waiting: dict[int | str, asyncio.Future[Reply]] = {}
        self._history_turn = asyncio.Lock()
        self._history_asked: asyncio.Future[Reply] | None = None
        self._slot_s = 0.0
        self._listening = asyncio.get_running_loop().create_task(self._listen())

    @classmethod
    async def connect(cls, path: Path, name: str, *, waits: Waits | None = None, live_limit: int = LIVE_LIMIT) -> Self:
        """Connect and exchange hellos.

        Args:
            path: of the site's socket.
            name: of this program, for the field process's log.
            waits: other time-outs than the usual ones.
            live_limit: events and tag values of the live feed that may wait to be read.

        Raises:
            FieldAway: nobody listens there.
            NoAccess: this user may not reach it.
            NoReply: somebody listens and says no hello.
            ProtocolRefused: it speaks another major version, or takes no more clients.
        """
        waits = waits or Waits()
        reader, writer = await _opened(path, waits.connect_s)
        client = cls(reader, writer, waits=waits, live_limit=live_limit)
        try:
            await client._greet(name)
        except BaseException:
            await client.close()
            raise
        return client

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    async def close(self) -> None:
        """End the connection; whoever still waits gets FieldAway. May be called twice."""
        self._fail(FieldAway("the connection was closed here"))
        self._listening.cancel()
        await asyncio.wait({self._listening}, timeout=self._waits.reply_s)

    async def status(self) -> Status:
        """The snapshot that the last scan left.

        Raises:
            NoReply, FieldAway, ProtocolRefused, LiveFeedUnread: see the module.
        """
        key = next(self._ids)
        status, _ = await self._asked(key, AskStatus(id=key), self._waits.reply_s)
        if not isinstance(status, Status):
            raise _wrong_kind(status)
        return status

    async def ask(self, ask: Ask) -> Answered:
        """Put a person's request; the answer comes after it is committed.

        After NoReply, or an answer with the reason ``pending``, the same
        message with the same id may be sent again to hear the answer.

        Raises:
            ValueError: a request with this id already waits for its answer here.
            NoReply, FieldAway, ProtocolRefused, LiveFeedUnread: see the module.
        """
        if ask.id in self._waiting:
            raise ValueError(f"the request {ask.id!r} already waits for its answer; wait for it, or use another id")
        answer, _ = await self._asked(ask.id, ask, self._waits.answer_s)
        if not isinstance(answer, Answered):
            raise _wrong_kind(answer)
        return answer

    async def ask_afar(self, octets: bytes) -> Answered:
        """Hand over a request that a person has signed far away; who it is, the field process finds out.

        Raises:
            ValueError: the same octets wait for their answer here already.
            NoReply, FieldAway, ProtocolRefused, LiveFeedUnread: see the module.
        """
        key = digest(octets)
        if key in self._waiting:
            raise ValueError(f"the request {key} already waits for its answer")
        answer, _ = await self._asked(key, AskAfar(id=key, octets=octets), self._waits.answer_s)
        if not isinstance(answer, Answered):
            raise _wrong_kind(answer)
        return answer

    async def history(self, stream: str, after_n: int, store: str, limit_bytes: int = HISTORY_BYTES) -> HistoryPart:
        """The next chunks of a stream. Callers take turns, since one such request may be outstanding.

        Args:
            stream: ``journal`` or ``samples``.
            after_n: the position: the last number already had.
            store: id of the store that the position belongs to (see ``hello.store``).
            limit_bytes: about how much to send at a time.

        Raises:
            HistoryUnreadable: not this time; ask again later.
            NoReply, FieldAway, ProtocolRefused, LiveFeedUnread: see the module.
        """
        async with self._history_turn:
            if self._history_asked is not None:  # one that somebody gave up waiting for
                await self._reply(self._history_asked, self._waits.history_s)
            key = next(self._ids)
            message = AskHistory(id=key, stream=stream, after_n=after_n, store=store, limit_bytes=limit_bytes)
            self._history_asked = await self._sent(key, message)
            told, bodies = await self._reply(self._history_asked, self._waits.history_s)
            self._history_asked = None
        return _history_part(told, bodies)

    async def newest_entries(self, last: int) -> tuple[JournalEntry, ...]:
        """The newest committed lines of the journal, at most ``last``, oldest first.

        Raises:
            FieldError: see the module.
        """
        newest_n = (await self.history(_JOURNAL, _BEYOND_N, self.hello.store)).newest_n
        return (await self.entries_after(max(0, newest_n - last)))[-last:]

    async def entries_after(self, n: int) -> tuple[JournalEntry, ...]:
        """Every committed line of the journal after a number, 0 for all, in order; damaged ones are left out.

        Raises:
            FieldError: see the module.
        """
        entries: list[JournalEntry] = []
        newest_n = n + 1
        while n < newest_n:
            part = await self.history(_JOURNAL, n, self.hello.store)
            found = [entry for _, body in part.chunks for entry in entries_of(body)]
            if not found:
                break
            entries += found
            n, newest_n = found[-1].n, part.newest_n
        return tuple(entries)

    async def confirm(self, reader: str, stream: str, n: int) -> None:
        """Say that a named reader has delivered everything up to ``n``. There is no answer.

        Raises:
            NoReply, FieldAway, ProtocolRefused, LiveFeedUnread: see the module.
        """
        await self._write(Confirm(reader=reader, stream=stream, n=n))

    async def watch(self) -> AsyncIterator[Live]:
        """The live feed: all values once, then what changes, and events before they are committed.

        It never ends by itself, has to be read as long as the connection is
        used, and can be had once a connection.

        Raises:
            FieldSilent: no message for ``silence_s``; there should be one a scan.
            LiveFeedUnread: read too slowly.
            RuntimeError: watched already.
            NoReply, FieldAway, ProtocolRefused: see the module.
        """
        if self._watching:
            raise RuntimeError("the live feed of this connection is being watched already; open another connection")
        self._watching = True
        await self._write(Watch())
        while True:
            while (message := self._live.take()) is not None:
                yield message
            self._raise_if_lost()
            await self._news()

    # --- inside --------------------------------------------------------------------------------------------

    async def _greet(self, name: str) -> None:
        hello, _ = await self._asked(_HELLO_KEY, Hello(client=name), self._waits.connect_s)
        if not isinstance(hello, Hello):
            raise _wrong_kind(hello)
        if hello.major != PROTOCOL_MAJOR:
            raise ProtocolRefused(
                f"the field process speaks version {hello.major}.{hello.minor} of the local socket, this is"
                f" {PROTOCOL_MAJOR}.{PROTOCOL_MINOR}; install the same release on both sides"
            )
        self.hello = hello

    async def _news(self) -> None:
        self._live.news.clear()
        try:
            async with asyncio.timeout(self._waits.silence_s):
                await self._live.news.wait()
        except TimeoutError:
            raise FieldSilent(f"the field process has said nothing for {self._waits.silence_s:g} s") from None

    async def _asked(self, key: int | str, message: Message, timeout_s: float) -> Reply:
        reply = await self._sent(key, message)
        try:
            return await self._reply(reply, timeout_s)
        finally:
            self._waiting.pop(key, None)

    async def _sent(self, key: int | str, message: Message) -> "asyncio.Future[Reply]":
        """Send, and where the reply will be."""
        reply: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        self._waiting[key] = reply
        try:
            await self._write(message)
        except BaseException:
            self._waiting.pop(key, None)
            raise
        return reply

    async def _reply(self, reply: "asyncio.Future[Reply]", timeout_s: float) -> Reply:
        await asyncio.wait({reply}, timeout=timeout_s)
        if not reply.done():
            raise NoReply(f"the field process has not answered within {timeout_s:g} s")
        if reply.cancelled():
            self._raise_if_lost()
        return reply.result()

    async def _write(self, message: Message) -> None:
        self._raise_if_lost()
        await self._keep_pace()
        self._raise_if_lost()
        try:
            self._writer.write(frames.encode(message))
            async with asyncio.timeout(self._waits.reply_s):
                await self._writer.drain()
        except TimeoutError:
            raise NoReply(f"the field process has not taken a message within {self._waits.reply_s:g} s") from None
        except OSError as lost:
            self._fail(FieldAway(f"the connection to the field process was lost: {lost}"))
            self._raise_if_lost()

    async def _keep_pace(self) -> None:
        """Wait until a request may be sent without being refused for asking too fast."""
        now_s = asyncio.get_running_loop().time()
        slot_s = max(self._slot_s + _GAP_S, now_s - (_AT_ONCE - 1) * _GAP_S)
        if slot_s - now_s > self._waits.reply_s:
            raise NoReply(f"requests for the next {slot_s - now_s:.1f} s wait already to be sent; ask more slowly")
        self._slot_s = slot_s
        if slot_s > now_s:
            await asyncio.sleep(slot_s - now_s)

    async def _listen(self) -> None:
        decoder = frames.from_field()
        try:
            while received := await self._reader.read(_READ_BYTES):
                for message, attachment in decoder.feed(received):
                    self._sort(message, attachment)
                decoder.feed(b"")  # raises what was found behind the whole ones
            self._fail(FieldAway("the field process has closed the connection"))
        except frames.FrameError as fault:
            self._fail(ProtocolRefused(f"the field process said something that makes no sense here: {fault}"))
        except OSError as lost:
            self._fail(FieldAway(f"the connection to the field process was lost: {lost}"))

    def _sort(self, message: FromField, attachment: bytes) -> None:
        match message:
            case Values() | LiveEvent():
                self._take_live(message)
            case Refusal():
                self._fail(ProtocolRefused(f"the field process refuses: {message.text}"))
            case Hello():
                self._answer(_HELLO_KEY, message, attachment)
            case Status() | History() | Answered():
                self._answer(message.id, message, attachment)

    def _take_live(self, message: Live) -> None:
        if self._lost is None:
            try:
                self._live.put(message)
            except LiveFeedUnread as unread:
                self._fail(unread)

    def _answer(self, key: int | str, message: FromField, attachment: bytes) -> None:
        reply = self._waiting.pop(key, None)
        if reply is not None and not reply.done():
            reply.set_result((message, attachment))

    def _fail(self, why: FieldError) -> None:
        """End the connection; the first reason is the one that everybody hears."""
        if self._lost is not None:
            return
        self._lost = why
        self._writer.transport.abort()
        for reply in self._waiting.values():
            reply.cancel()  # and the one who waits finds the reason
        self._live.news.set()

    def _raise_if_lost(self) -> None:
        if self._lost is not None:
            raise type(self._lost)(str(self._lost))


def ask_field(
    path: Path, job: Callable[[FieldClient], Awaitable[T]], *, name: str = "command line", waits: Waits | None = None
) -> T:
    """Do one job over the local socket from a program without an event loop.

    Args:
        path: of the site's socket.
        job: what to do with the connected client, such as ``lambda field: field.status()``.
        name: of the program, for the field process's log.
        waits: other time-outs than the usual ones.

    Returns:
        What the job returns.

    Raises:
        FieldError: see the module.
    """

    async def talk() -> T:
        async with await FieldClient.connect(path, name, waits=waits) as client:
            return await job(client)

    return asyncio.run(talk())


async def _opened(path: Path, timeout_s: float) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    try:
        async with asyncio.timeout(timeout_s):
            return await asyncio.open_unix_connection(path)
    except TimeoutError:
        raise NoReply(f"nobody took the connection to {path} within {timeout_s:g} s") from None
    except PermissionError as refused:
        raise NoAccess(
            f"{path} may not be reached by this user: {refused.strerror}; it needs the site's group"
        ) from None
    except OSError as away:
        raise FieldAway(f"no field process at {path}: {away.strerror}; is the site running?") from None


def _history_part(told: FromField, bodies: bytes) -> HistoryPart:
    if not isinstance(told, History):
        raise _wrong_kind(told)
    if told.fault:
        raise HistoryUnreadable(f"stream {told.stream!r} cannot be read: {told.fault}")
    chunks: list[tuple[ChunkHeader, bytes]] = []
    start = 0
    for header in told.chunks:
        chunks.append((header, bodies[start : start + header.size_bytes]))
        start += header.size_bytes
    if start != len(bodies):
        raise ProtocolRefused(f"chunks of {start} bytes were announced, and {len(bodies)} came")
    return HistoryPart(chunks=tuple(chunks), newest_n=told.newest_n, gap=told.gap)


def _wrong_kind(message: FromField) -> ProtocolRefused:
    return ProtocolRefused(f"a {type(message).__name__} came as the answer to something else")
