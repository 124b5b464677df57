"""The local socket: live feed, history by position, requests in. Carries; decides nothing about the plant.

Whatever leaves the field process leaves here, and whatever is asked of it
comes in here. The scan publishes and goes on: publishing only notes what there
is to say, and a turn of the loop later each client is given as much as it
takes. Nothing ever waits for a client; a stuck one is dropped and catches up
by position. History is read in a thread of its own. A request is given the
identity of the user at the other end and is judged at the scan.
"""

import asyncio
import logging
from collections import Counter
from collections.abc import Awaitable, Callable, Coroutine, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import msgspec

from gateway.core.request import Answer, Request
from gateway.field.asking import Answers, NotAsked, answered, refused, request_of
from gateway.field.connection import Connection, Ending, Limits, Peer
from gateway.field.livefeed import FellBehind, LiveFeed
from gateway.field.socketfile import SocketFile
from gateway.local.frames import FrameTooLarge
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
    Hello,
    History,
    JournalEntry,
    Status,
    ToField,
    Values,
    Watch,
)

HISTORY_LIMIT_BYTES = 524_288  # bodies in one answer, whatever is asked; a frame holds twice that

_POSITION_LIMIT = 2**63
_STREAM_LIMIT = 64  # characters of a stream's or a reader's name
_BUNDLES_A_TURN = 4  # for one client, before others and the scan have their turn again
_BACKLOG = 32

_log = logging.getLogger(__name__)

HistoryPart = tuple[Sequence[tuple[ChunkHeader, bytes]], int, str]
"""Chunks with their bodies, newest committed n of the stream, why the first chunk does not follow (or empty)."""

ReadHistory = Callable[[str, int, str, int], HistoryPart]
"""``(stream, after_n, store, limit_bytes)``; called in the history thread, one call at a time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Statistics:
    """What became of the clients since the start.

    Args:
        clients: connected now.
        watching: of them, those with the live feed.
        ended: how many connections ended for which reason.
        left_out: events too large for the live feed; they are in the history.
    """

    clients: int
    watching: int
    ended: Mapping[Ending, int]
    left_out: int


class Server:
    """The local socket of one site.

    All callables but ``read_history`` are called in the event loop and must not block.

    Args:
        path: of the socket file; its folder is made if need be, and must be closed to others.
        hello: the field process's hello, as it is now.
        status: the snapshot that the last scan left (its ``id`` is filled in here).
        submit: hands a request to the scan; the answer is there after commit.
        read_history: see ``ReadHistory``; whatever it raises is told to the client as a fault of this one reading.
        confirmed: a named reader has delivered up to there; given with who said so.
        persons_of: whom a user id of the machine may act as: person to role, empty for nobody.
        submit_afar: takes what was signed far away; None for a site that is asked nothing from there.
        limits: what clients may have.
    """

    def __init__(
        self,
        *,
        path: Path,
        hello: Callable[[], Hello],
        status: Callable[[], Status],
        submit: Callable[[Request], Awaitable[Answer]],
        read_history: ReadHistory,
        confirmed: Callable[[Peer, Confirm], None],
        persons_of: Callable[[int], Mapping[str, str]],
        submit_afar: Callable[[bytes], Awaitable[Answer]] | None = None,
        limits: Limits | None = None,
    ) -> None:
        self.limits = limits or Limits()
        self._path = path
        self._hello = hello
        self._status = status
        self._submit = submit
        self._read_history = read_history
        self._confirmed = confirmed
        self._persons_of = persons_of
        self._submit_afar = submit_afar
        self._feed = LiveFeed(self.limits.ring_events)
        self._answers = Answers()
        self._clients: set[Connection] = set()
        self._leaving: set[Connection] = set()
        self._all_gone = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        self._readings: set[asyncio.Future[HistoryPart]] = set()
        self._ended: Counter[Ending] = Counter()
        self._left_out = 0
        self._woken = False

    async def start(self) -> None:
        """Take the socket's place and listen.

        Raises:
            SocketRefused: see ``SocketFile.claim``.
        """
        self._loop = asyncio.get_running_loop()
        self._file = SocketFile.claim(self._path)
        self._history_thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="history")
        self._listener = await self._loop.create_unix_server(
            lambda: Connection(self, self._loop.time), sock=self._file.bound, backlog=_BACKLOG
        )
        self._next_sweep = self._loop.call_later(self.limits.sweep_s, self._sweep)

    async def close(self) -> None:
        """Stop listening, let clients read what was published last, and be gone within about two ``linger_s``."""
        self._listener.close()
        self._next_sweep.cancel()
        for client in tuple(self._clients):
            self._pump(client)
            client.finish()
        await self._wait_until_gone()
        await self._stop_tasks()
        self._history_thread.shutdown(wait=False, cancel_futures=True)
        self._file.remove()

    def publish_values(self, values: Values) -> None:
        """What changed in this scan; call it after every scan, also with nothing changed. Returns at once."""
        self._feed.take_values(values)
        self._wake()

    def publish_event(self, entry: JournalEntry) -> None:
        """One event, before it is committed. Returns at once."""
        try:
            self._feed.take_event(entry)
        except FrameTooLarge as fault:
            self._left_out += 1
            _log.error("event %s of run %s is left out of the live feed: %s", entry.n, entry.run, fault)
        self._wake()

    def statistics(self) -> Statistics:
        """What became of the clients."""
        watching = sum(client.place is not None for client in self._clients)
        return Statistics(
            clients=len(self._clients), watching=watching, ended=dict(self._ended), left_out=self._left_out
        )

    # --- called by connections (``Host``) --------------------------------------------------------------------

    def joined(self, client: Connection) -> None:
        """Give it a place, or refuse it."""
        full = len(self._clients) >= self.limits.clients
        self._clients.add(client)
        if full and len(self._leaving) >= self.limits.clients:
            client.cut(Ending.TOO_MANY_CLIENTS)
        elif full:
            client.refuse(Ending.TOO_MANY_CLIENTS, f"{self.limits.clients} clients are connected, and no more can be")

    def ended(self, client: Connection, ending: Ending) -> None:
        """It counts no longer."""
        self._clients.discard(client)
        self._leaving.add(client)
        self._ended[ending] += 1
        if ending not in {Ending.LEFT, Ending.STOPPED}:
            _log.info("local socket: %s ended: %s", client, ending.value)

    def gone(self, client: Connection) -> None:
        """It is closed."""
        self._leaving.discard(client)
        if not self._clients and not self._leaving:
            self._all_gone.set()

    def has_room(self, client: Connection) -> None:
        """Give it more of the live feed."""
        self._pump(client)

    def took(self, client: Connection, message: ToField) -> None:
        """Serve one message."""
        match message:
            case Hello() if client.greeting is None:
                self._greet(client, message)
            case Hello():
                client.refuse(Ending.BAD_FRAME, "hello was said already")
            case _ if client.greeting is None:
                client.refuse(Ending.BAD_FRAME, "the first message has to be a hello")
            case Watch():
                self._watch(client)
            case AskStatus():
                client.tell(msgspec.structs.replace(self._status(), id=message.id))
            case AskHistory():
                self._ask_history(client, message)
            case Confirm():
                self._confirm(client, message)
            case Ask():
                self._ask(client, message)
            case AskAfar():
                self._ask_afar(client, message)

    # --- hello, live feed --------------------------------------------------------------------------------------

    def _greet(self, client: Connection, hello: Hello) -> None:
        if hello.major != PROTOCOL_MAJOR:
            client.refuse(
                Ending.OTHER_VERSION,
                f"you speak version {hello.major}.{hello.minor} of the local socket,"
                f" this is {PROTOCOL_MAJOR}.{PROTOCOL_MINOR}; install the same release on both sides",
            )
            return
        client.greeting = hello
        client.tell(self._hello())

    def _watch(self, client: Connection) -> None:
        if client.place is None:
            client.place = self._feed.place()
            self._pump(client)

    def _wake(self) -> None:
        """Serve all clients in the next turn of the loop, once for all that is published until then."""
        if not self._woken:
            self._woken = True
            self._loop.call_soon(self._pump_all)

    def _pump_all(self) -> None:
        self._woken = False
        for client in tuple(self._clients):
            self._pump(client)

    def _pump(self, client: Connection) -> None:
        """Give a client the next bundles of the live feed while it takes them."""
        for _ in range(_BUNDLES_A_TURN):
            if client.place is None or client.paused or client.ending is not None:
                return
            try:
                framed = self._feed.next_frames(client.place)
            except FellBehind as behind:
                client.refuse(Ending.FELL_BEHIND, str(behind))
                return
            if not framed:
                return
            client.send(framed)
        self._wake()

    # --- history -----------------------------------------------------------------------------------------------

    def _confirm(self, client: Connection, confirm: Confirm) -> None:
        if len(confirm.reader) > _STREAM_LIMIT or not 0 <= confirm.n < _POSITION_LIMIT:
            client.refuse(Ending.BAD_FRAME, f"{confirm.n} is no position, or the reader's name is too long")
            return
        self._confirmed(client.peer, confirm)

    def _ask_history(self, client: Connection, wanted: AskHistory) -> None:
        if client.reads_history:
            client.refuse(Ending.TOO_MANY_REQUESTS, "one request for history at a time; wait for the answer")
        elif len(wanted.stream) > _STREAM_LIMIT or not 0 <= wanted.after_n < _POSITION_LIMIT:
            client.tell(_no_history(wanted, f"{wanted.after_n} is no position, or the stream's name is too long"))
        elif len(self._readings) >= self.limits.clients:
            client.tell(_no_history(wanted, "too many readings wait already; ask again later"))
        else:
            client.reads_history = True
            self._start(self._send_history(client, wanted))

    async def _send_history(self, client: Connection, wanted: AskHistory) -> None:
        limit_bytes = min(max(wanted.limit_bytes, 1), HISTORY_LIMIT_BYTES)
        reading = self._loop.run_in_executor(
            self._history_thread, self._read_history, wanted.stream, wanted.after_n, wanted.store, limit_bytes
        )
        self._readings.add(reading)
        reading.add_done_callback(self._readings.discard)
        await asyncio.wait({reading}, timeout=self.limits.answer_s)
        client.reads_history = False
        self._tell_history(client, wanted, reading)

    def _tell_history(self, client: Connection, wanted: AskHistory, reading: asyncio.Future[HistoryPart]) -> None:
        if not reading.done():  # it goes on, nothing can stop the thread, and counts until it is done
            client.tell(_no_history(wanted, f"not read within {self.limits.answer_s:g} s; ask again later"))
            return
        fault = reading.exception()
        if fault is not None:
            _log.error("history %r after %s cannot be read", wanted.stream, wanted.after_n, exc_info=fault)
            client.tell(_no_history(wanted, f"{type(fault).__name__}: {fault}"))
            return
        chunks, newest_n, gap = reading.result()
        headers = tuple(header for header, _ in chunks)
        told = History(id=wanted.id, stream=wanted.stream, chunks=headers, newest_n=newest_n, gap=gap)
        try:
            client.tell(told, b"".join(body for _, body in chunks))
        except FrameTooLarge as large:
            client.tell(_no_history(wanted, str(large)))

    # --- requests of persons -----------------------------------------------------------------------------------

    def _ask(self, client: Connection, ask: Ask) -> None:
        if client.asks >= self.limits.asks:
            client.refuse(Ending.TOO_MANY_REQUESTS, f"{client.asks} requests wait for their answers; wait for them")
            return
        try:
            answer = self._answer_to(ask, self._persons_of(client.peer.user))
        except NotAsked as why:
            client.tell(refused(ask, why))
            return
        client.asks += 1
        self._start(self._send_answer(client, ask, answer))

    def _answer_to(self, ask: Ask, persons: Mapping[str, str]) -> asyncio.Future[Answered]:
        """Where the answer is or will be: of the same request asked before, or of a new one."""
        request = request_of(ask, persons)
        before = self._answers.known(request.person, ask)
        if before is not None:
            return before
        self._answers.make_room()
        answer = self._loop.create_task(self._judged(request))
        answer.add_done_callback(_log_failure)
        self._answers.keep(request.person, ask, answer)
        return answer

    async def _judged(self, request: Request) -> Answered:
        return answered(await self._submit(request))

    async def _send_answer(self, client: Connection, ask: Ask, answer: asyncio.Future[Answered]) -> None:
        await asyncio.wait({answer}, timeout=self.limits.answer_s)
        client.asks -= 1
        client.tell(_answer_now(ask, answer))

    def _ask_afar(self, client: Connection, ask: AskAfar) -> None:
        if client.asks >= self.limits.asks:
            client.refuse(Ending.TOO_MANY_REQUESTS, f"{client.asks} requests wait for their answers; wait for them")
        elif self._submit_afar is None or len(ask.id) > _STREAM_LIMIT:
            text = "no person of this site has a key to ask from afar"
            client.tell(Answered(id=ask.id[:_STREAM_LIMIT], granted=False, reason="nobody_from_afar", text=text))
        else:
            client.asks += 1
            self._start(self._send_answer_afar(client, ask.id, self._submit_afar(ask.octets)))

    async def _send_answer_afar(self, client: Connection, id_: str, answer: Awaitable[Answer]) -> None:
        try:
            given = answered(await answer)
        finally:
            client.asks -= 1
        client.tell(msgspec.structs.replace(given, id=id_))

    # --- time and end ------------------------------------------------------------------------------------------

    def _start(self, coroutine: Coroutine[None, None, None]) -> None:
        task = self._loop.create_task(coroutine)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _sweep(self) -> None:
        for client in (*self._clients, *self._leaving):
            client.check()
        self._next_sweep = self._loop.call_later(self.limits.sweep_s, self._sweep)

    async def _wait_until_gone(self) -> None:
        if not self._leaving:
            return
        self._all_gone.clear()
        try:
            async with asyncio.timeout(self.limits.linger_s):
                await self._all_gone.wait()
        except TimeoutError:
            for client in tuple(self._leaving):
                client.cut(Ending.STOPPED)

    async def _stop_tasks(self) -> None:
        """The requests that still wait end without an answer; a history that is being read has a moment to finish."""
        unanswered = self._answers.waiting()
        for answer in unanswered:
            answer.cancel()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*unanswered, return_exceptions=True)
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._readings:
            await asyncio.wait(self._readings, timeout=self.limits.linger_s)


def _no_history(wanted: AskHistory, fault: str) -> History:
    return History(id=wanted.id, stream=wanted.stream, chunks=(), newest_n=0, fault=fault)


def _answer_now(ask: Ask, answer: asyncio.Future[Answered]) -> Answered:
    if not answer.done():
        text = "no answer yet; it may still be granted: ask again with the same id to hear"
        return Answered(id=ask.id, granted=False, reason="pending", text=text)
    if answer.cancelled() or answer.exception() is not None:
        text = "the request came to no answer, and may or may not have been judged; look at the status and the log"
        return Answered(id=ask.id, granted=False, reason="failed", text=text)
    return answer.result()


def _log_failure(answer: asyncio.Future[Answered]) -> None:
    if not answer.cancelled() and answer.exception() is not None:
        _log.error("a request came to no answer", exc_info=answer.exception())
