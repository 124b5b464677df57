"""The client against field processes that are away, old, silent, or talk nonsense. The real one is in tests/field."""

import asyncio
import os
import shutil
import socket
import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from gateway.local import frames
from gateway.local.client import (
    FieldAway,
    FieldClient,
    FieldSilent,
    Live,
    LiveFeedUnread,
    NoAccess,
    NoReply,
    ProtocolRefused,
    Waits,
    ask_field,
)
from gateway.local.messages import (
    Answered,
    Ask,
    AskHistory,
    AskStatus,
    ChunkHeader,
    Hello,
    History,
    JournalEntry,
    LiveEvent,
    Message,
    Refusal,
    Status,
    TagValue,
    Values,
)

PATIENCE_S = 20.0
LONG = Waits(connect_s=PATIENCE_S, reply_s=PATIENCE_S, history_s=PATIENCE_S, answer_s=PATIENCE_S, silence_s=PATIENCE_S)
SHORT = Waits(connect_s=0.05, reply_s=0.05, history_s=0.05, answer_s=0.05, silence_s=0.05)
HELLO = frames.encode(Hello(site="marrowfell"))

Behaviour = Callable[["Peer"], Awaitable[None]]


class Peer:
    """The field's end of one connection, driven by a test."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self._writer = writer
        self._decoder = frames.to_field()
        self._heard: list[Message] = []

    async def hear(self) -> Message:
        while not self._heard:
            received = await self._reader.read(65_536)
            if not received:
                raise EOFError
            self._heard += [message for message, _ in self._decoder.feed(received)]
        return self._heard.pop(0)

    async def greet(self) -> None:
        assert isinstance(await self.hear(), Hello)
        self.send(HELLO)

    def send(self, wire: bytes) -> None:
        self._writer.write(wire)

    def say(self, *messages: Message) -> None:
        self.send(b"".join(frames.encode(message) for message in messages))

    async def until_left(self) -> None:
        while await self._reader.read(65_536):
            pass

    def close(self) -> None:
        self._writer.close()


@asynccontextmanager
async def field_that(behaves: Behaviour, path: Path) -> AsyncIterator[None]:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer = Peer(reader, writer)
        try:
            await behaves(peer)
        finally:
            peer.close()

    server = await asyncio.start_unix_server(serve, path)
    try:
        async with asyncio.timeout(PATIENCE_S):
            yield
    finally:
        server.close()


def entry(n: int) -> JournalEntry:
    return JournalEntry(n=n, run=1, scan=n, monotonic_ms=n, utc_ms=n, utc_trusted=True, kind="trip")


def status(key: int) -> Status:
    return Status(id=key, utc_ms=1, scan=key, outputs=(), interlocks=(), alarms=(), tags=())


async def read_into(got: list[Live], feed: AsyncIterator[Live]) -> None:
    async for message in feed:
        got.append(message)  # noqa: PERF401 - a comprehension would lose them with the error


@pytest.fixture
def path() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="lc-"))
    yield folder / "field.sock"
    shutil.rmtree(folder)


# --- connecting ----------------------------------------------------------------------------------------------------


def test_without_a_socket_file_the_field_process_is_away(path: Path) -> None:
    with pytest.raises(FieldAway, match="is the site running"):
        ask_field(path, FieldClient.status)


def test_a_socket_nobody_listens_on_is_a_field_process_that_is_away(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(path))
    with pytest.raises(FieldAway, match="Connection refused"):
        ask_field(path, FieldClient.status)


@pytest.mark.skipif(os.getuid() != 0, reason="only root can become another user for this")
def test_a_socket_out_of_reach_is_said_to_be_so(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen()
        path.parent.chmod(0o755)
        path.chmod(0o600)
        os.seteuid(65_534)
        try:
            with pytest.raises(NoAccess, match="it needs the site's group"):
                ask_field(path, FieldClient.status)
        finally:
            os.seteuid(0)


def test_a_field_process_of_another_major_version_is_not_talked_to(path: Path) -> None:
    async def newer(peer: Peer) -> None:
        await peer.hear()
        peer.say(Hello(major=2, minor=1))
        await peer.until_left()

    async def scenario() -> None:
        async with field_that(newer, path):
            with pytest.raises(ProtocolRefused, match=r"speaks version 2\.1 of the local socket, this is 1\.1"):
                await FieldClient.connect(path, "test", waits=LONG)

    asyncio.run(scenario())


def test_a_refusal_is_handed_on_in_its_own_words(path: Path) -> None:
    async def full(peer: Peer) -> None:
        peer.say(Refusal(text="16 clients are connected"))

    async def scenario() -> None:
        async with field_that(full, path):
            with pytest.raises(ProtocolRefused, match="16 clients are connected"):
                await FieldClient.connect(path, "test", waits=LONG)

    asyncio.run(scenario())


def test_a_listener_that_says_no_hello_is_not_waited_for_without_end(path: Path) -> None:
    async def scenario() -> None:
        async with field_that(Peer.until_left, path):
            with pytest.raises(NoReply, match=r"has not answered within 0\.05 s"):
                await FieldClient.connect(path, "test", waits=SHORT)

    asyncio.run(scenario())


# --- answers -------------------------------------------------------------------------------------------------------


def test_answers_find_who_asked_whatever_their_order_and_beside_the_live_feed(path: Path) -> None:
    async def turned_round(peer: Peer) -> None:
        await peer.greet()
        asked = [await peer.hear() for _ in range(3)]
        peer.say(Values(scan=1, utc_ms=1, values=()))
        for message in reversed(asked):
            assert isinstance(message, AskStatus | Ask)
            peer.say(Answered(id=message.id, granted=True) if isinstance(message, Ask) else status(message.id))
        await peer.until_left()

    async def scenario() -> None:
        async with field_that(turned_round, path), await FieldClient.connect(path, "test", waits=LONG) as client:
            first, second, answer = await asyncio.gather(
                client.status(), client.status(), client.ask(Ask(id="1", action="reset"))
            )
            assert (first.id, second.id, answer.id) == (1, 2, "1")

    asyncio.run(scenario())


def test_an_answer_that_does_not_come_is_no_reply_and_a_late_one_harms_nobody(path: Path) -> None:
    async def late(peer: Peer) -> None:
        await peer.greet()
        first, second = await peer.hear(), await peer.hear()
        assert isinstance(first, AskStatus)
        assert isinstance(second, AskStatus)
        peer.say(status(first.id), status(second.id))
        await peer.until_left()

    async def scenario() -> None:
        waits = Waits(reply_s=0.05)
        async with field_that(late, path), await FieldClient.connect(path, "test", waits=waits) as client:
            with pytest.raises(NoReply):
                await client.status()
            assert (await client.status()).id == 2

    asyncio.run(scenario())


def test_a_request_may_be_repeated_with_its_id_after_no_reply(path: Path) -> None:
    async def hard_of_hearing(peer: Peer) -> None:
        await peer.greet()
        assert await peer.hear() == await peer.hear()
        peer.say(Answered(id="q1", granted=True))
        await peer.until_left()

    async def scenario() -> None:
        waits = Waits(answer_s=0.05)
        async with field_that(hard_of_hearing, path), await FieldClient.connect(path, "t", waits=waits) as client:
            ask = Ask(id="q1", action="reset", subject="I-01")
            with pytest.raises(NoReply):
                await client.ask(ask)
            assert (await client.ask(ask)).granted

    asyncio.run(scenario())


def test_the_same_id_twice_at_once_is_a_fault_of_the_caller(path: Path) -> None:
    async def mute(peer: Peer) -> None:
        await peer.greet()
        await peer.until_left()

    async def scenario() -> None:
        async with field_that(mute, path), await FieldClient.connect(path, "test", waits=LONG) as client:
            waiting = asyncio.create_task(client.ask(Ask(id="q1", action="reset")))
            await asyncio.sleep(0)
            with pytest.raises(ValueError, match="already waits"):
                await client.ask(Ask(id="q1", action="reset"))
            await client.close()
            with pytest.raises(FieldAway, match="closed here"):
                await waiting

    asyncio.run(scenario())


def test_who_waits_hears_at_once_that_the_connection_was_lost(path: Path) -> None:
    async def dies(peer: Peer) -> None:
        await peer.greet()
        await peer.hear()

    async def scenario() -> None:
        async with field_that(dies, path), await FieldClient.connect(path, "test", waits=LONG) as client:
            with pytest.raises(FieldAway, match="has closed the connection"):
                await client.status()
            with pytest.raises(FieldAway, match="has closed the connection"):
                await client.status()

    asyncio.run(scenario())


def test_an_answer_that_came_with_the_end_of_the_connection_counts(path: Path) -> None:
    async def last_word(peer: Peer) -> None:
        await peer.greet()
        await peer.hear()
        peer.say(status(1), Refusal(text="the field process stops"))

    async def scenario() -> None:
        async with field_that(last_word, path), await FieldClient.connect(path, "test", waits=LONG) as client:
            assert (await client.status()).id == 1
            with pytest.raises(ProtocolRefused, match="the field process stops"):
                await client.status()

    asyncio.run(scenario())


@pytest.mark.parametrize(
    "wire",
    [
        b"\xff" * 12,
        b"\x00\x00\x00\x06\x00\x00\x00\x02!!",
        frames.encode(AskStatus(id=1)),
        frames.encode(Answered(id="1", granted=True))[:-1] + b"\xff",
    ],
)
def test_nonsense_ends_the_connection_with_a_name(path: Path, wire: bytes) -> None:
    async def babbles(peer: Peer) -> None:
        await peer.greet()
        await peer.hear()
        peer.send(wire)
        await peer.until_left()

    async def scenario() -> None:
        async with field_that(babbles, path), await FieldClient.connect(path, "test", waits=LONG) as client:
            with pytest.raises(ProtocolRefused, match="no sense"):
                await client.status()

    asyncio.run(scenario())


def test_an_answer_of_another_kind_is_not_taken_for_the_one_asked_for(path: Path) -> None:
    async def confused(peer: Peer) -> None:
        await peer.greet()
        await peer.hear()
        peer.say(History(id=1, stream="journal", chunks=(), newest_n=0))
        await peer.until_left()

    async def scenario() -> None:
        async with field_that(confused, path), await FieldClient.connect(path, "test", waits=LONG) as client:
            with pytest.raises(ProtocolRefused, match="History came as the answer to something else"):
                await client.status()

    asyncio.run(scenario())


def test_bodies_that_do_not_fit_their_headers_are_not_handed_on(path: Path) -> None:
    header = ChunkHeader(
        stream="journal",
        run=1,
        first_n=1,
        last_n=2,
        first_utc_ms=1,
        last_utc_ms=2,
        configuration="",
        checksum=0,
        size_bytes=9,
    )

    async def short(peer: Peer) -> None:
        await peer.greet()
        asked = await peer.hear()
        assert isinstance(asked, AskHistory)
        peer.send(frames.encode(History(id=asked.id, stream="journal", chunks=(header,), newest_n=2), b"12345678"))
        await peer.until_left()

    async def scenario() -> None:
        async with field_that(short, path), await FieldClient.connect(path, "test", waits=LONG) as client:
            with pytest.raises(ProtocolRefused, match="chunks of 9 bytes were announced, and 8 came"):
                await client.history("journal", 0, "s-1")

    asyncio.run(scenario())


def test_asking_far_too_fast_is_refused_here_and_not_there(path: Path) -> None:
    async def mute(peer: Peer) -> None:
        await peer.greet()
        await peer.until_left()

    async def scenario() -> None:
        waits = Waits(reply_s=0.3)
        async with field_that(mute, path), await FieldClient.connect(path, "test", waits=waits) as client:
            told = await asyncio.gather(*(client.status() for _ in range(20)), return_exceptions=True)
            assert {type(each) for each in told} == {NoReply}
            assert sum("ask more slowly" in str(each) for each in told) >= 10

    asyncio.run(scenario())


# --- live feed -----------------------------------------------------------------------------------------------------


def test_a_live_feed_that_is_not_read_drops_the_connection_with_its_name(path: Path) -> None:
    async def flood(peer: Peer) -> None:
        await peer.greet()
        await peer.hear()
        value = TagValue(tag="AIT-510", quality="good", value=0.4)
        peer.say(LiveEvent(entry=entry(1)), *(Values(scan=n, utc_ms=n, values=(value,) * 9) for n in range(20)))
        await peer.until_left()

    async def scenario() -> None:
        async with field_that(flood, path), await FieldClient.connect(path, "t", waits=LONG, live_limit=100) as client:
            feed = client.watch()
            got = [await anext(feed)]
            with pytest.raises(LiveFeedUnread, match="at most 100"):
                await client.status()
            with pytest.raises(LiveFeedUnread, match="catch up from the history"):
                await read_into(got, feed)
            assert got[0] == LiveEvent(entry=entry(1))
            assert [each.scan for each in got if isinstance(each, Values)] == list(range(len(got) - 1))
            assert len(got) in {10, 11}  # all that had room: ten values a message and one event, a hundred in all

    asyncio.run(scenario())


def test_a_live_feed_that_falls_silent_is_noticed_and_the_connection_stays(path: Path) -> None:
    async def freezes(peer: Peer) -> None:
        await peer.greet()
        await peer.hear()
        peer.say(Values(scan=1, utc_ms=1, values=()))
        await peer.hear()
        peer.say(status(1))
        await peer.until_left()

    async def scenario() -> None:
        waits = Waits(silence_s=0.05)
        async with field_that(freezes, path), await FieldClient.connect(path, "test", waits=waits) as client:
            feed = client.watch()
            assert isinstance(await anext(feed), Values)
            with pytest.raises(FieldSilent, match=r"nothing for 0\.05 s"):
                await anext(feed)
            assert (await client.status()).id == 1

    asyncio.run(scenario())


def test_what_came_before_the_connection_was_lost_is_still_read(path: Path) -> None:
    async def dies(peer: Peer) -> None:
        await peer.greet()
        await peer.hear()
        peer.say(LiveEvent(entry=entry(1)), LiveEvent(entry=entry(2)))

    async def scenario() -> None:
        async with field_that(dies, path), await FieldClient.connect(path, "test", waits=LONG) as client:
            got: list[Live] = []
            with pytest.raises(FieldAway):
                await read_into(got, client.watch())
            assert got == [LiveEvent(entry=entry(1)), LiveEvent(entry=entry(2))]

    asyncio.run(scenario())


def test_one_connection_is_watched_once(path: Path) -> None:
    async def talks(peer: Peer) -> None:
        await peer.greet()
        await peer.hear()
        peer.say(Values(scan=1, utc_ms=1, values=()))
        await peer.until_left()

    async def scenario() -> None:
        async with field_that(talks, path), await FieldClient.connect(path, "test", waits=LONG) as client:
            await anext(client.watch())
            with pytest.raises(RuntimeError, match="watched already"):
                await anext(client.watch())

    asyncio.run(scenario())
