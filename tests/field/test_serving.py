"""The local socket over real Unix sockets: what clients get, and what no client can do to the others."""

import asyncio
import os
import shutil
import socket
import stat
import struct
import tempfile
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import pytest

from gateway.core.request import Action, Answer, Item, Origin, Request
from gateway.field.connection import Ending, Limits, Peer
from gateway.field.serving import HISTORY_LIMIT_BYTES, HistoryPart, Server
from gateway.local import frames
from gateway.local.client import FieldClient, HistoryUnreadable, Live, ProtocolRefused, Waits, ask_field
from gateway.local.messages import (
    Answered,
    Ask,
    AskHistory,
    AskStatus,
    ChunkHeader,
    Confirm,
    FromField,
    Hello,
    History,
    JournalEntry,
    ListItem,
    LiveEvent,
    Message,
    OutputStatus,
    Refusal,
    Status,
    TagValue,
    Values,
    Watch,
)

PATIENCE_S = 20.0  # for anything that has to happen; nothing here takes that long when it works
NEVER_S = 600.0
MYSELF = os.getuid()
HELLO = Hello(site="marrowfell", site_name="Marrowfell Saddle", store="s-1", run=3, configuration="c0ffee")
OUTPUT = OutputStatus(
    output="product",
    service="permission to deliver",
    level="withdrawn",
    safe=True,
    confirmed=True,
    proven=True,
    reasons=("I-01",),
    since_utc_ms=5,
)
CHUNKS = [
    (
        ChunkHeader(
            stream="journal",
            run=3,
            first_n=first,
            last_n=first + 9,
            first_utc_ms=0,
            last_utc_ms=9,
            configuration="c0ffee",
            checksum=0,
            size_bytes=size,
        ),
        bytes([first]) * size,
    )
    for first, size in ((1, 700), (11, 0), (21, 5))
]


@dataclass
class Site:
    """What stands behind the server in these tests."""

    people: dict[int, dict[str, str]] = field(default_factory=lambda: {MYSELF: {"ONCALL-1": "duty technician"}})
    asked_users: list[int] = field(default_factory=list)
    requests: list[Request] = field(default_factory=list)
    confirmed: list[tuple[Peer, Confirm]] = field(default_factory=list)
    answer: Callable[[Request], Awaitable[Answer]] | None = None
    history: Callable[[str, int, str, int], HistoryPart] = lambda *_: (CHUNKS, 25, "")

    def persons_of(self, user: int) -> Mapping[str, str]:
        self.asked_users.append(user)
        return self.people.get(user, {})

    def status(self) -> Status:
        return Status(id=0, utc_ms=1, scan=12, outputs=(OUTPUT,), interlocks=(), alarms=(), tags=())

    async def submit(self, request: Request) -> Answer:
        self.requests.append(request)
        if self.answer is not None:
            return await self.answer(request)
        items = (Item(text="valve proven at divert", satisfied=False, detail="ZSC-901 = 0", wait_ms=1500),)
        return Answer(request=request.id, granted=True, text="carried out", items=items, confirm=4711)

    @asynccontextmanager
    async def serve(self, folder: Path, **limits: Any) -> AsyncIterator[Server]:
        server = Server(
            path=folder / "field.sock",
            hello=lambda: HELLO,
            status=self.status,
            submit=self.submit,
            read_history=self.history,
            confirmed=lambda peer, confirm: self.confirmed.append((peer, confirm)),
            persons_of=self.persons_of,
            limits=Limits(**limits),
        )
        await server.start()
        try:
            yield server
        finally:
            await server.close()


class Raw:
    """A peer with no manners: sends what it likes, reads when it likes."""

    def __init__(self, connected: socket.socket) -> None:
        self._socket = connected
        self._decoder = frames.from_field()
        self._heard: list[FromField] = []

    @classmethod
    async def connect(cls, folder: Path, *, greet: bool = True) -> Self:
        connected = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        connected.setblocking(False)
        await asyncio.get_running_loop().sock_connect(connected, str(folder / "field.sock"))
        raw = cls(connected)
        if greet:
            await raw.say(Hello(client="raw"))
            assert await raw.hear() == HELLO
        return raw

    async def say(self, *messages: Message) -> None:
        await self.send(b"".join(frames.encode(message) for message in messages))

    async def send(self, wire: bytes) -> None:
        async with asyncio.timeout(PATIENCE_S):
            await asyncio.get_running_loop().sock_sendall(self._socket, wire)

    async def hear(self) -> FromField | None:
        """The next message, None at the end."""
        async with asyncio.timeout(PATIENCE_S):
            while not self._heard:
                received = await asyncio.get_running_loop().sock_recv(self._socket, 65_536)
                if not received:
                    return None
                self._heard += [message for message, _ in self._decoder.feed(received)]
        return self._heard.pop(0)

    async def hear_refusal(self) -> str:
        """Why the connection ends; it has to end right behind."""
        while not isinstance(message := await self.hear(), Refusal):
            assert message is not None, "the connection ended without a word"
        assert await self.hear() is None
        return message.text

    def close(self) -> None:
        self._socket.close()


async def until(condition: Callable[[], bool]) -> None:
    """Wait for what another task, thread or the kernel brings about; those tell nobody."""
    async with asyncio.timeout(PATIENCE_S):
        while not condition():  # noqa: ASYNC110 - see above, there is no event to wait for
            await asyncio.sleep(0.002)


def connect(folder: Path, name: str = "test") -> Coroutine[None, None, FieldClient]:
    return FieldClient.connect(folder / "field.sock", name, waits=Waits(connect_s=PATIENCE_S, reply_s=PATIENCE_S))


async def next_of(feed: AsyncIterator[Live]) -> Live:
    async with asyncio.timeout(PATIENCE_S):
        return await anext(feed)


def values(scan: int, **tags: float) -> Values:
    told = tuple(TagValue(tag=tag, quality="good", value=value, n=scan) for tag, value in tags.items())
    return Values(scan=scan, utc_ms=1_000 * scan, values=told)


def entry(n: int, text: str = "") -> JournalEntry:
    facts: dict[str, str | int | float | bool] = {"text": text}
    return JournalEntry(n=n, run=3, scan=n, monotonic_ms=n, utc_ms=n, utc_trusted=True, kind="trip", facts=facts)


@contextmanager
def as_user(user: int, folder: Path) -> Iterator[None]:
    """Be another user for a moment, one that may reach the socket."""
    folder.chmod(0o750)
    os.chown(folder, 0, user)
    os.chown(folder / "field.sock", 0, user)
    os.setegid(user)
    os.seteuid(user)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)


@pytest.fixture
def folder() -> Iterator[Path]:
    """A short path: that of a Unix socket has little room."""
    made = Path(tempfile.mkdtemp(prefix="fs-"))
    yield made
    shutil.rmtree(made)


# --- hello ---------------------------------------------------------------------------------------------------------


def test_the_hello_tells_which_site_store_and_run_this_is(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder), await connect(folder) as client:
            assert client.hello == HELLO

    asyncio.run(scenario())


def test_another_major_version_is_told_so_and_left(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server:
            raw = await Raw.connect(folder, greet=False)
            await raw.say(Hello(major=2, minor=5))
            assert "you speak version 2.5 of the local socket, this is 1.1" in await raw.hear_refusal()
            raw.close()
            assert server.statistics().ended == {Ending.OTHER_VERSION: 1}

    asyncio.run(scenario())


def test_another_minor_version_and_unknown_fields_are_welcome(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder):
            raw = await Raw.connect(folder, greet=False)
            body = b'{"type":"hello","major":1,"minor":9,"dialect":"new"}'
            await raw.send(struct.pack(">II", 4 + len(body), len(body)) + body)
            assert await raw.hear() == HELLO
            raw.close()

    asyncio.run(scenario())


@pytest.mark.parametrize("message", [Watch(), AskStatus(id=1)])
def test_nothing_is_served_before_the_hello(folder: Path, message: Message) -> None:
    async def scenario() -> None:
        async with Site().serve(folder):
            raw = await Raw.connect(folder, greet=False)
            await raw.say(message)
            assert "hello" in await raw.hear_refusal()
            raw.close()

    asyncio.run(scenario())


def test_a_client_that_connects_and_says_nothing_has_to_go(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder, hello_s=0.1) as server:
            raw = await Raw.connect(folder, greet=False)
            assert "no hello within 0.1 s" in await raw.hear_refusal()
            raw.close()
            assert server.statistics().ended == {Ending.NO_HELLO: 1}

    asyncio.run(scenario())


def test_the_seventeenth_client_is_refused_and_has_a_place_when_one_leaves(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server:
            sixteen = [await connect(folder) for _ in range(16)]
            with pytest.raises(ProtocolRefused, match="16 clients are connected"):
                await connect(folder)
            assert (await sixteen[0].status()).scan == 12
            await sixteen.pop().close()
            await until(lambda: server.statistics().clients == 15)
            sixteen.append(await connect(folder))
            for client in sixteen:
                await client.close()

    asyncio.run(scenario())


def test_a_refusal_reaches_a_client_that_speaks_before_it_listens(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder, clients=1, linger_s=NEVER_S, unread_s=NEVER_S) as server:
            async with await connect(folder):
                raw = await Raw.connect(folder, greet=False)
                await until(lambda: Ending.TOO_MANY_CLIENTS in server.statistics().ended)
                await raw.say(Hello(client="late"))
                assert "1 clients are connected" in await raw.hear_refusal()
                raw.close()
            await until(lambda: server.statistics().clients == 0)

    asyncio.run(scenario())


def test_a_crowd_that_is_refused_and_does_not_leave_is_cut_off(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder, clients=2, linger_s=NEVER_S, hello_s=NEVER_S, unread_s=NEVER_S) as server:
            crowd = [await Raw.connect(folder, greet=False) for _ in range(5)]
            assert "2 clients are connected" in await crowd[2].hear_refusal()
            assert await crowd[4].hear() is None
            assert server.statistics().ended == {Ending.TOO_MANY_CLIENTS: 3}
            for raw in crowd:
                raw.close()
            await until(lambda: server.statistics().clients == 0)

    asyncio.run(scenario())


# --- live feed -----------------------------------------------------------------------------------------------------


def test_a_watcher_gets_all_values_once_and_then_what_changes(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server:
            server.publish_values(values(1, A=1.0, B=2.0))
            server.publish_values(values(2, B=3.0))
            async with await connect(folder) as client:
                feed = client.watch()
                first = await next_of(feed)
                assert isinstance(first, Values)
                assert first.scan == 2
                assert {each.tag: (each.value, each.n) for each in first.values} == {"A": (1.0, 1), "B": (3.0, 2)}
                server.publish_values(values(3, A=4.0))
                assert await next_of(feed) == values(3, A=4.0)
                server.publish_values(values(4))
                assert await next_of(feed) == values(4)

    asyncio.run(scenario())


def test_events_come_before_the_values_of_their_scan_and_are_marked_uncommitted(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server, await connect(folder) as client:
            server.publish_values(values(1, A=1.0))
            feed = client.watch()
            await next_of(feed)
            server.publish_values(values(2, A=9.0))
            server.publish_event(entry(7, "A above 5"))
            assert await next_of(feed) == LiveEvent(entry=entry(7, "A above 5"), committed=False)
            assert await next_of(feed) == values(2, A=9.0)

    asyncio.run(scenario())


def test_values_are_coalesced_newest_per_tag_while_they_wait(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server, await connect(folder) as client:
            server.publish_values(values(1, A=1.0))
            feed = client.watch()
            await next_of(feed)
            for scan in range(2, 50):
                server.publish_values(values(scan, A=float(scan), B=float(scan)))
            assert await next_of(feed) == values(49, A=49.0, B=49.0)

    asyncio.run(scenario())


def test_who_does_not_watch_gets_no_live_feed(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server:
            raw = await Raw.connect(folder)
            server.publish_event(entry(1))
            server.publish_values(values(1, A=1.0))
            await raw.say(AskStatus(id=5))
            assert isinstance(await raw.hear(), Status)
            raw.close()

    asyncio.run(scenario())


def test_a_burst_of_ten_thousand_events_arrives_whole_and_in_order(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server, await connect(folder) as client:
            server.publish_values(values(1))
            feed = client.watch()
            await next_of(feed)
            for n in range(10_000):
                server.publish_event(entry(n))
            got = [await next_of(feed) for _ in range(10_000)]
            assert [each.entry.n for each in got if isinstance(each, LiveEvent)] == list(range(10_000))

    asyncio.run(scenario())


async def publish_while_read(server: Server, feed: AsyncIterator[Live], count: int) -> None:
    """Publish events of about a kilobyte and have the reader read each at once."""
    for n in range(count):
        server.publish_event(entry(n, "x" * 1_000))
        got = await next_of(feed)
        assert isinstance(got, LiveEvent)
        assert got.entry.n == n


def test_a_stuck_reader_delays_nobody_and_is_dropped_and_counted(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder, unread_s=0.5) as server, await connect(folder) as client:
            stuck = await Raw.connect(folder)
            await stuck.say(Watch())
            await until(lambda: server.statistics().watching == 1)
            feed = client.watch()
            server.publish_values(values(1))
            assert isinstance(await next_of(feed), Values)
            await publish_while_read(server, feed, 1_000)
            await until(lambda: Ending.UNREAD in server.statistics().ended)
            assert server.statistics().watching == 1
            server.publish_event(entry(1_000))
            assert isinstance(await next_of(feed), LiveEvent)
            stuck.close()

    asyncio.run(scenario())


def test_a_stuck_reader_holds_no_more_than_its_buffer(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder, unread_s=NEVER_S) as server, await connect(folder) as client:
            stuck = await Raw.connect(folder)
            await stuck.say(Watch())
            feed = client.watch()
            server.publish_values(values(1))
            assert isinstance(await next_of(feed), Values)
            await publish_while_read(server, feed, 3_000)
            assert server.statistics().watching == 2
            waiting = [each._transport.get_write_buffer_size() for each in server._clients]
            assert 0 < max(waiting) < 100_000
            stuck.close()
            await until(lambda: server.statistics().clients == 1)

    asyncio.run(scenario())


def test_a_reader_that_wakes_up_in_time_gets_every_event_and_the_newest_values(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder, unread_s=NEVER_S) as server:
            slow = await Raw.connect(folder)
            await slow.say(Watch())
            await until(lambda: server.statistics().watching == 1)
            for n in range(1, 2_001):
                server.publish_event(entry(n, "x" * 1_000))
                server.publish_values(values(n, A=float(n)))
                await asyncio.sleep(0)
            events, newest = [], 0.0
            while newest < 2_000:
                heard = await slow.hear()
                if isinstance(heard, LiveEvent):
                    events.append(heard.entry.n)
                if isinstance(heard, Values):
                    newest = heard.values[0].value or 0.0
            assert events == list(range(1, 2_001))
            slow.close()

    asyncio.run(scenario())


def test_a_reader_the_ring_has_gone_past_is_sent_to_the_history(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder, unread_s=NEVER_S, ring_events=100) as server:
            slow = await Raw.connect(folder)
            await slow.say(Watch())
            await until(lambda: server.statistics().watching == 1)
            for n in range(2_000):
                server.publish_event(entry(n, "x" * 1_000))
                await asyncio.sleep(0)
            assert "read on from the history" in await slow.hear_refusal()
            assert server.statistics().ended == {Ending.FELL_BEHIND: 1}
            slow.close()

    asyncio.run(scenario())


def test_replies_that_nobody_reads_are_bounded_too(folder: Path) -> None:
    readings: list[object] = []

    def read(*wanted: object) -> HistoryPart:
        readings.append(wanted)
        return [(CHUNKS[0][0], bytes(300_000))], 10, ""

    async def scenario() -> None:
        async with Site(history=read).serve(folder, unread_s=NEVER_S, requests_per_s=1_000) as server:
            greedy = await Raw.connect(folder)
            while Ending.UNREAD not in server.statistics().ended:
                asked = len(readings) + 1
                await greedy.say(AskHistory(id=asked, stream="journal", after_n=0))
                await until(lambda asked=asked: len(readings) == asked)  # type: ignore[misc]
                await until(lambda: not any(each.reads_history for each in server._clients))
            assert 3 <= len(readings) <= 5  # a mebibyte here, and what the kernel takes
            greedy.close()

    asyncio.run(scenario())


def test_an_event_too_large_for_a_frame_is_left_out_and_the_scan_goes_on(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server, await connect(folder) as client:
            server.publish_values(values(1))
            feed = client.watch()
            await next_of(feed)
            server.publish_event(entry(1, "x" * frames.FRAME_LIMIT_BYTES))
            server.publish_event(entry(2))
            assert await next_of(feed) == LiveEvent(entry=entry(2))
            assert server.statistics().left_out == 1

    asyncio.run(scenario())


def test_what_is_published_last_is_read_before_the_socket_closes(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server:
            raw = await Raw.connect(folder)
            await raw.say(Watch())
            await until(lambda: server.statistics().watching == 1)
            server.publish_event(entry(99, "permission withdrawn, valve proven"))
        assert await raw.hear() == LiveEvent(entry=entry(99, "permission withdrawn, valve proven"))
        assert await raw.hear() is None
        raw.close()

    asyncio.run(scenario())


def test_closing_does_not_wait_for_a_stuck_reader(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder, linger_s=0.1) as server:
            stuck = await Raw.connect(folder)
            await stuck.say(Watch())
            await until(lambda: server.statistics().watching == 1)
            for n in range(1_000):
                server.publish_event(entry(n, "x" * 1_000))
                await asyncio.sleep(0)
        assert not (folder / "field.sock").exists()
        stuck.close()

    asyncio.run(asyncio.wait_for(scenario(), PATIENCE_S))


# --- history -------------------------------------------------------------------------------------------------------


def test_history_is_handed_over_chunk_by_chunk_as_it_is_stored(folder: Path) -> None:
    wanted: list[tuple[str, int, str, int, str]] = []

    def read(stream: str, after_n: int, store: str, limit_bytes: int) -> HistoryPart:
        wanted.append((stream, after_n, store, limit_bytes, threading.current_thread().name))
        return CHUNKS, 25, "the position belongs to another store"

    async def scenario() -> None:
        async with Site(history=read).serve(folder), await connect(folder) as client:
            part = await client.history("journal", 17, "s-0")
            assert list(part.chunks) == CHUNKS
            assert (part.newest_n, part.gap) == (25, "the position belongs to another store")
            await client.history("samples", 0, "s-1", limit_bytes=10**9)

    asyncio.run(scenario())
    assert [each[:4] for each in wanted] == [
        ("journal", 17, "s-0", 262_144),
        ("samples", 0, "s-1", HISTORY_LIMIT_BYTES),
    ]
    assert {each[4] for each in wanted} == {"history_0"}


def test_live_and_status_go_on_while_history_is_read(folder: Path) -> None:
    go_on = threading.Event()

    def read(*_: object) -> HistoryPart:
        go_on.wait(PATIENCE_S)
        return CHUNKS, 25, ""

    async def scenario() -> None:
        async with Site(history=read).serve(folder) as server, await connect(folder) as client:
            server.publish_values(values(1))
            feed = client.watch()
            await next_of(feed)
            reading = asyncio.create_task(client.history("journal", 0, "s-1"))
            assert (await client.status()).scan == 12
            server.publish_event(entry(1))
            assert isinstance(await next_of(feed), LiveEvent)
            assert not reading.done()
            go_on.set()
            assert (await reading).newest_n == 25

    asyncio.run(scenario())


def test_two_requests_for_history_at_once_are_one_too_many(folder: Path) -> None:
    go_on = threading.Event()

    async def scenario() -> None:
        site = Site(history=lambda *_: (CHUNKS, 25, "") if go_on.wait(PATIENCE_S) else (CHUNKS, 0, ""))
        async with site.serve(folder):
            raw = await Raw.connect(folder)
            await raw.say(*(AskHistory(id=number, stream="journal", after_n=0) for number in (1, 2)))
            assert "one request for history at a time" in await raw.hear_refusal()
            raw.close()
            go_on.set()

    asyncio.run(scenario())


def test_the_client_lets_its_own_readers_of_history_take_turns(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder), await connect(folder) as client:
            parts = await asyncio.gather(*(client.history("journal", n, "s-1") for n in range(4)))
            assert [part.newest_n for part in parts] == [25] * 4

    asyncio.run(scenario())


def test_a_reader_that_gave_up_waiting_for_history_may_ask_again(folder: Path) -> None:
    go_on = threading.Event()
    begun = threading.Event()

    def read(_stream: str, after_n: int, *_: object) -> HistoryPart:
        begun.set()
        go_on.wait(PATIENCE_S)
        return (), after_n, ""

    async def scenario() -> None:
        async with Site(history=read).serve(folder), await connect(folder) as client:
            given_up = asyncio.create_task(client.history("journal", 1, "s-1"))
            await until(begun.is_set)
            given_up.cancel()
            again = asyncio.create_task(client.history("journal", 2, "s-1"))
            await asyncio.sleep(0)
            go_on.set()
            assert (await again).newest_n == 2

    asyncio.run(scenario())


def test_history_that_cannot_be_read_is_told_and_the_connection_stays(folder: Path) -> None:
    def read(*_: object) -> HistoryPart:
        raise OSError(5, "Input/output error")

    async def scenario() -> None:
        async with Site(history=read).serve(folder), await connect(folder) as client:
            with pytest.raises(HistoryUnreadable, match="Input/output error"):
                await client.history("journal", 0, "s-1")
            assert (await client.status()).scan == 12

    asyncio.run(scenario())


def test_a_chunk_too_large_for_a_frame_is_told_and_the_connection_stays(folder: Path) -> None:
    async def scenario() -> None:
        site = Site(history=lambda *_: ([(CHUNKS[0][0], bytes(frames.FRAME_LIMIT_BYTES))], 10, ""))
        async with site.serve(folder), await connect(folder) as client:
            with pytest.raises(HistoryUnreadable, match="does not fit"):
                await client.history("journal", 0, "s-1")
            assert (await client.status()).scan == 12

    asyncio.run(scenario())


@pytest.mark.parametrize("after_n", [-1, 2**63])
def test_a_position_no_store_can_hold_is_not_passed_on(folder: Path, after_n: int) -> None:
    async def scenario() -> None:
        async with Site().serve(folder):
            raw = await Raw.connect(folder)
            await raw.say(AskHistory(id=1, stream="journal", after_n=after_n))
            told = await raw.hear()
            assert isinstance(told, History)
            assert "is no position" in told.fault
            raw.close()

    asyncio.run(scenario())


def test_a_confirmation_is_passed_on_with_who_said_so(folder: Path) -> None:
    async def scenario() -> None:
        site = Site()
        async with site.serve(folder), await connect(folder) as client:
            await client.confirm("office", "journal", 21)
            await until(lambda: bool(site.confirmed))
            [(peer, confirm)] = site.confirmed
            assert confirm == Confirm(reader="office", stream="journal", n=21)
            assert (peer.process, peer.user) == (os.getpid(), MYSELF)

    asyncio.run(scenario())


# --- status and requests of persons ------------------------------------------------------------------------------


def test_the_status_is_the_snapshot_of_the_last_scan(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder), await connect(folder) as client:
            status = await client.status()
            assert status.outputs == (OUTPUT,)

    asyncio.run(scenario())


def test_a_mapped_user_asks_as_its_person_in_the_role_of_the_table(folder: Path) -> None:
    async def scenario() -> None:
        site = Site()
        async with site.serve(folder), await connect(folder) as client:
            ask = Ask(id="q1", action="shelve", subject="TURBIDITY-HIGH", reason="cleaning", duration_s=90.5)
            assert await client.ask(ask) == Answered(
                id="q1",
                granted=True,
                text="carried out",
                items=(ListItem(text="valve proven at divert", satisfied=False, detail="ZSC-901 = 0", wait_s=1.5),),
                confirm=4711,
            )
        assert site.asked_users == [MYSELF]
        assert site.requests == [
            Request(
                id="q1",
                action=Action.SHELVE,
                subject="TURBIDITY-HIGH",
                person="ONCALL-1",
                role="duty technician",
                origin=Origin.LOCAL,
                reason="cleaning",
                duration_ms=90_500,
            )
        ]

    asyncio.run(scenario())


def test_an_unmapped_user_is_nobody_and_its_request_reaches_no_scan(folder: Path) -> None:
    async def scenario() -> None:
        site = Site(people={MYSELF + 1: {"ONCALL-1": "duty technician"}})
        async with site.serve(folder), await connect(folder) as client:
            answer = await client.ask(Ask(id="q1", action="release", subject="product", person="ONCALL-1"))
            assert (answer.id, answer.granted, answer.reason) == ("q1", False, "not_a_person")
            assert (await client.status()).scan == 12
        assert site.requests == []

    asyncio.run(scenario())


@pytest.mark.skipif(MYSELF != 0, reason="only root can become another user for this")
def test_the_kernel_says_who_asks_and_not_the_message(folder: Path) -> None:
    stranger = 65_534

    async def scenario() -> None:
        site = Site(people={0: {"DUTY-MGR": "manager"}, stranger: {"VISITOR-OP": "operator on site"}})
        async with site.serve(folder):
            with as_user(stranger, folder):
                raw = await Raw.connect(folder)
            await raw.say(Ask(id="q1", action="reset", subject="I-01", person="DUTY-MGR"))
            told = await raw.hear()
            assert isinstance(told, Answered)
            assert told.reason == "not_this_person"
            await raw.say(Ask(id="q2", action="reset", subject="I-01"))
            await raw.hear()
            assert [(each.person, each.role) for each in site.requests] == [("VISITOR-OP", "operator on site")]
            raw.close()

    asyncio.run(scenario())


def test_a_repeated_id_gets_the_same_answer_even_over_another_connection(folder: Path) -> None:
    async def scenario() -> None:
        site = Site()
        async with site.serve(folder):
            ask = Ask(id="q1", action="acknowledge", subject="TURBIDITY-HIGH")
            async with await connect(folder) as client:
                first = await client.ask(ask)
                assert await client.ask(ask) == first
            async with await connect(folder) as client:
                assert await client.ask(ask) == first
                other = await client.ask(Ask(id="q1", action="reset", subject="I-01"))
                assert (other.granted, other.reason) == (False, "id_reused")
        assert len(site.requests) == 1

    asyncio.run(scenario())


def test_who_waits_too_long_is_told_and_hears_the_answer_by_asking_again(folder: Path) -> None:
    async def scenario() -> None:
        committed = asyncio.Event()

        async def after_commit(request: Request) -> Answer:
            await committed.wait()
            return Answer(request=request.id, granted=True, text="acknowledged")

        site = Site(answer=after_commit)
        async with site.serve(folder, answer_s=0.05), await connect(folder) as client:
            ask = Ask(id="q1", action="acknowledge", subject="TURBIDITY-HIGH")
            assert (await client.ask(ask)).reason == "pending"
            committed.set()
            assert (await client.ask(ask)).granted
        assert len(site.requests) == 1

    asyncio.run(scenario())


def test_a_request_outlives_the_connection_it_came_by(folder: Path) -> None:
    async def scenario() -> None:
        committed = asyncio.Event()

        async def after_commit(request: Request) -> Answer:
            await committed.wait()
            return Answer(request=request.id, granted=True)

        site = Site(answer=after_commit)
        async with site.serve(folder) as server:
            raw = await Raw.connect(folder)
            await raw.say(Ask(id="q1", action="acknowledge", subject="TURBIDITY-HIGH"))
            await until(lambda: bool(site.requests))
            raw.close()
            await until(lambda: server.statistics().clients == 0)
            committed.set()
            async with await connect(folder) as client:
                assert (await client.ask(Ask(id="q1", action="acknowledge", subject="TURBIDITY-HIGH"))).granted
        assert len(site.requests) == 1

    asyncio.run(scenario())


def test_a_request_that_comes_to_grief_is_answered_so(folder: Path) -> None:
    async def grief(_: Request) -> Answer:
        raise RuntimeError("no scan takes requests any more")

    async def scenario() -> None:
        async with Site(answer=grief).serve(folder), await connect(folder) as client:
            answer = await client.ask(Ask(id="q1", action="reset", subject="I-01"))
            assert (answer.granted, answer.reason) == (False, "failed")
            assert (await client.status()).scan == 12

    asyncio.run(scenario())


def test_the_synchronous_wrapper_does_one_job(folder: Path) -> None:
    listening, done = threading.Event(), threading.Event()

    async def serve() -> None:
        async with Site().serve(folder):
            listening.set()
            await until(done.is_set)

    server = threading.Thread(target=asyncio.run, args=(serve(),))
    server.start()
    assert listening.wait(PATIENCE_S)
    try:
        assert ask_field(folder / "field.sock", lambda client: client.status()).scan == 12
    finally:
        done.set()
        server.join(PATIENCE_S)


# --- manners -------------------------------------------------------------------------------------------------------


def test_more_than_ten_requests_a_second_are_refused(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server:
            raw = await Raw.connect(folder)
            await raw.say(*(AskStatus(id=number) for number in range(1, 12)))
            heard = [await raw.hear() for _ in range(11)]
            assert [each.id for each in heard if isinstance(each, Status)] == list(range(1, 11))
            assert isinstance(heard[-1], Refusal)
            assert "more than 10 requests a second" in heard[-1].text
            assert await raw.hear() is None
            raw.close()
            assert server.statistics().ended == {Ending.TOO_MANY_REQUESTS: 1}

    asyncio.run(scenario())


def test_the_client_keeps_below_the_limit_by_itself(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server, await connect(folder) as client:
            await asyncio.gather(*(client.status() for _ in range(24)))
            assert server.statistics().ended == {}

    asyncio.run(scenario())


def test_no_client_may_pile_up_requests(folder: Path) -> None:
    async def never(_: Request) -> Answer:
        await asyncio.Event().wait()
        raise AssertionError

    async def scenario() -> None:
        async with Site(answer=never).serve(folder, asks=2):
            raw = await Raw.connect(folder)
            await raw.say(*(Ask(id=f"q{number}", action="reset", subject="I-01") for number in range(3)))
            assert "2 requests wait for their answers" in await raw.hear_refusal()
            raw.close()

    asyncio.run(scenario())


@pytest.mark.parametrize(
    ("wire", "why"),
    [
        (struct.pack(">I", frames.FRAME_LIMIT_BYTES + 1), "at most 1048576 are allowed"),
        (b"\x00\x00\x00\x06\x00\x00\x00\x09{}", "JSON part of 9 bytes"),
        (b"\x00\x00\x00\x06\x00\x00\x00\x02!!", "cannot be read"),
        (b"\x00\x00\x00\x06\x00\x00\x00\x02{}", "without a type"),
        (b"GET / HTTP/1.1\r\nHost: plant\r\n\r\n", "at most 1048576 are allowed"),
        (frames.encode(Hello(client="again")), "hello was said already"),
        (frames.encode(Confirm(reader="office", stream="journal", n=-1)), "no position"),
    ],
)
def test_nonsense_is_refused_with_the_reason(folder: Path, wire: bytes, why: str) -> None:
    async def scenario() -> None:
        async with Site().serve(folder) as server, await connect(folder) as witness:
            raw = await Raw.connect(folder)
            await raw.send(wire)
            assert why in await raw.hear_refusal()
            raw.close()
            assert server.statistics().ended == {Ending.BAD_FRAME: 1}
            assert (await witness.status()).scan == 12

    asyncio.run(scenario())


def test_what_came_whole_before_the_nonsense_is_served(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder):
            raw = await Raw.connect(folder)
            await raw.send(frames.encode(AskStatus(id=9)) + b"\xff" * 40)
            assert isinstance(await raw.hear(), Status)
            assert "at most" in await raw.hear_refusal()
            raw.close()

    asyncio.run(scenario())


def test_half_a_frame_and_then_silence_ends_the_connection(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder, hello_s=0.5) as server, await connect(folder) as witness:
            raw = await Raw.connect(folder)
            await raw.send(frames.encode(AskStatus(id=9))[:11])
            assert "a frame began and did not end within 0.5 s" in await raw.hear_refusal()
            raw.close()
            assert server.statistics().ended == {Ending.HALF_FRAME: 1}
            assert (await witness.status()).scan == 12

    asyncio.run(scenario())


def test_a_refused_client_that_does_not_leave_is_put_out(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder, linger_s=0.1) as server:
            raw = await Raw.connect(folder)
            await raw.send(b"\xff" * 8)
            await until(lambda: server.statistics().clients == 0)
            await until(lambda: not server._leaving)
            with pytest.raises(OSError, match=r"Broken pipe|reset by peer"):
                await raw.send(b"\xff" * 8)
            raw.close()

    asyncio.run(scenario())


# --- the file ------------------------------------------------------------------------------------------------------


def test_the_socket_is_for_owner_and_group_and_goes_when_the_server_goes(folder: Path) -> None:
    async def scenario() -> None:
        async with Site().serve(folder / "record"):
            assert stat.S_IMODE((folder / "record" / "field.sock").stat().st_mode) == 0o660
            assert stat.S_IMODE((folder / "record").stat().st_mode) == 0o750
        assert not (folder / "record" / "field.sock").exists()

    asyncio.run(scenario())
