"""The connection against a peer that lies, stays silent, comes late and hangs up: never a wrong value."""

import asyncio
import contextlib
import logging
import socket
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusIOException

from gateway.configuration.schema import NetworkConnection
from gateway.drivers.driver import Block, Connection, Table
from gateway.drivers.errors import EdgeError, InvalidReply, NoAnswer, NotConnected, Refused, WriteForbidden
from gateway.drivers.modbus import connection as connection_module
from gateway.drivers.modbus.connection import ModbusConnection
from tests.drivers import hostile
from tests.drivers.hostile import Asked, Peer, good_message, read_message, registers_of

Script = Callable[[Peer, Asked, asyncio.StreamWriter], Awaitable[None]]

FOUR = Block(unit_id=11, table=Table.HOLDING, address=100, count=4)
OTHER_FOUR = Block(unit_id=11, table=Table.HOLDING, address=200, count=4)
ONE = Block(unit_id=11, table=Table.HOLDING, address=300, count=1)
OTHER_ONE = Block(unit_id=11, table=Table.HOLDING, address=301, count=1)
OUTPUT = Block(unit_id=1, table=Table.HOLDING, address=320, count=4)

PATIENT_S = 30.0  # as a reply time-out: whoever waits for it fails the test's own limit first
SHORT_S = 0.05


def run(scenario: Awaitable[None]) -> None:
    """Run a test's coroutine; nothing may take longer than the limit."""

    async def limited() -> None:
        async with asyncio.timeout(2 * hostile.WAIT_S):
            await scenario

    asyncio.run(limited())


class Patience:
    """Reply time-outs of a connection made with ``PATIENT_S``: short until the test has had its silence."""

    def __init__(self) -> None:
        self.limit_s = SHORT_S

    def __call__(self, plant_s: float) -> float:
        return self.limit_s if plant_s == PATIENT_S else plant_s

    def grow(self) -> None:
        """From now on wait as long as a slow machine needs."""
        self.limit_s = hostile.WAIT_S


@pytest.fixture
def late_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    """No reply is too late to come, so that a slow machine cannot change what a test shows."""
    monkeypatch.setattr(connection_module, "LATEST_REPLY", 100_000)


def right(block: Block) -> tuple[int, ...]:
    """What the peer's registers hold."""
    asked = Asked(0, block.unit_id, 3, block.address, block.count)
    return tuple(registers_of(asked))


@contextlib.asynccontextmanager
async def connected(
    peer: Peer,
    *,
    reply_timeout_s: float = PATIENT_S,
    quiet_s: float = SHORT_S,
    pause_s: float = 0.0,
    real_timeout_s: Callable[[float], float] = float,
) -> AsyncIterator[ModbusConnection]:
    keys = NetworkConnection(
        transport="rtu_over_tcp" if peer.rtu else "tcp",
        host="127.0.0.1",
        port=peer.port,
        reply_timeout_s=reply_timeout_s,
        quiet_after_timeout_s=quiet_s,
        pause_s=pause_s,
    )
    connection = ModbusConnection("COM1", keys, outputs=[OUTPUT], real_timeout_s=real_timeout_s)
    await connection.open()
    try:
        yield connection
    finally:
        await connection.close()


def still_usable(connection: ModbusConnection) -> bool:
    return connection._link is not None and connection._link.usable


def saying(make: Callable[[Peer, Asked], bytes]) -> Script:
    """A script that sends the bytes made."""

    async def script(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        writer.write(make(peer, asked))

    return script


def message(make: Callable[[Asked], bytes]) -> Script:
    """A script that sends the message made, in a sound frame."""
    return saying(lambda peer, asked: peer.frame(asked, make(asked)))


def spoiled(frame: bytes) -> bytes:
    return frame[:-1] + bytes((frame[-1] ^ 1,))


LIES: dict[str, Script] = {
    "another function": message(lambda a: read_message(4, registers_of(a))),
    "the echo of a write": message(lambda a: bytes((16,)) + a.address.to_bytes(2, "big") + a.count.to_bytes(2, "big")),
    "a coil reply": message(lambda a: bytes((1, 2 * a.count)) + bytes(2 * a.count)),
    "an exception of another function": message(lambda _: b"\x84\x02"),
    "an unknown function": message(lambda a: bytes((0x63, 2 * a.count)) + bytes(2 * a.count)),
    "fewer registers": message(lambda a: read_message(3, registers_of(a)[:-1])),
    "more registers": message(lambda a: read_message(3, [*registers_of(a), 7])),
    "no registers": message(lambda _: b"\x03\x00"),
    "an odd byte count": message(lambda a: bytes((3, 2 * a.count - 1)) + bytes(2 * a.count - 1)),
    "another unit": saying(lambda p, a: p.frame(a, good_message(a), unit_id=12)),
    "unit 0": saying(lambda p, a: p.frame(a, good_message(a), unit_id=0)),
    "two replies in one segment": saying(lambda p, a: 2 * p.frame(a, good_message(a))),
    "rubbish ahead": saying(lambda p, a: b"\xff\x00\xff" + p.frame(a, good_message(a))),
    "rubbish behind": saying(lambda p, a: p.frame(a, good_message(a)) + b"\x00"),
    "nothing but rubbish": saying(lambda _p, _a: bytes(range(200, 256))),
}
TCP_LIES: dict[str, Script] = {
    "transaction 0": saying(lambda p, a: p.frame(a, good_message(a), transaction=0)),
    "a wrong transaction": saying(lambda p, a: p.frame(a, good_message(a), transaction=a.transaction + 1)),
    "another protocol": saying(lambda p, a: b"".join((p.frame(a, good_message(a))[:2], b"\0\1\0\3\x0b\x83\2"))),
    "a length of 65535": saying(lambda p, a: p.frame(a, good_message(a))[:4] + b"\xff\xff" + bytes(20)),
    "a byte count beyond its frame": message(lambda a: read_message(3, registers_of(a))[:-2]),
}
RTU_LIES: dict[str, Script] = {
    "a bad checksum": saying(lambda p, a: spoiled(p.frame(a, good_message(a)))),
}
CASES = [
    pytest.param(rtu, script, id=f"{'rtu' if rtu else 'tcp'}: {name}")
    for rtu, lies in ((False, LIES | TCP_LIES), (True, LIES | RTU_LIES))
    for name, script in lies.items()
]
BOTH = pytest.mark.parametrize("rtu", [False, True], ids=["tcp", "rtu"])


@pytest.mark.parametrize(("rtu", "script"), CASES)
def test_a_lie_is_told_at_once_and_the_next_good_reply_is_taken(rtu: bool, script: Script) -> None:  # noqa: FBT001 - pytest passes by name
    async def scenario() -> None:
        async with hostile.peer(rtu=rtu, script=script) as peer, connected(peer) as connection:
            with pytest.raises(InvalidReply, match="COM1: unit 11, function 3, addresses 100 to 103"):
                await connection.read(FOUR)
            peer.script = hostile.good
            assert await connection.read(OTHER_FOUR) == right(OTHER_FOUR)
            assert await connection.read(FOUR) == right(FOUR)
            assert peer.connections == (1 if rtu else 2)  # a TCP stream that lied is not trusted again

    run(scenario())


@BOTH
def test_an_exception_is_raised_with_its_code_and_leaves_nothing_behind(rtu: bool) -> None:  # noqa: FBT001 - pytest passes by name
    async def scenario() -> None:
        async with hostile.peer(rtu=rtu, script=message(lambda _: b"\x83\x02")) as peer, connected(peer) as connection:
            with pytest.raises(Refused, match="exception 2") as caught:
                await connection.read(FOUR)
            assert caught.value.code == 2
            peer.script = hostile.good
            assert await connection.read(OTHER_FOUR) == right(OTHER_FOUR)
            assert len(peer.asked) == 2
            assert peer.connections == 1

    run(scenario())


@BOTH
def test_silence_ends_with_the_time_out_in_real_seconds_and_the_next_reply_is_taken(rtu: bool) -> None:  # noqa: FBT001 - pytest passes by name
    async def scenario() -> None:
        patience = Patience()
        async with (
            hostile.peer(rtu=rtu, script=hostile.silent) as peer,
            connected(peer, real_timeout_s=patience) as connection,
        ):
            with pytest.raises(NoAnswer, match=r"no reply within 0\.05 s"):
                await connection.read(FOUR)
            patience.grow()
            peer.script = hostile.good
            assert await connection.read(OTHER_FOUR) == right(OTHER_FOUR)
            assert peer.connections == 1

    run(scenario())


@BOTH
def test_a_peer_that_hangs_up_on_the_request_is_noticed_at_once(rtu: bool) -> None:  # noqa: FBT001 - pytest passes by name
    async def hang_up(_peer: Peer, _asked: Asked, writer: asyncio.StreamWriter) -> None:
        writer.close()

    async def scenario() -> None:
        async with hostile.peer(rtu=rtu, script=hang_up) as peer, connected(peer) as connection:
            with pytest.raises(NotConnected, match="lost while waiting"):
                await connection.read(FOUR)
            peer.script = hostile.good
            assert await connection.read(OTHER_FOUR) == right(OTHER_FOUR)
            assert peer.connections == 2

    run(scenario())


@BOTH
def test_a_peer_that_hangs_up_right_behind_its_reply_has_answered(rtu: bool) -> None:  # noqa: FBT001 - pytest passes by name
    async def answer_and_hang_up(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        await hostile.good(peer, asked, writer)
        writer.close()

    async def scenario() -> None:
        async with hostile.peer(rtu=rtu, script=answer_and_hang_up) as peer, connected(peer) as connection:
            for number in range(1, 20):
                assert await connection.read(FOUR) == right(FOUR)
                assert peer.connections == number
                await hostile.until(lambda: not still_usable(connection))  # so that none is asked in vain

    run(scenario())


@BOTH
def test_a_reply_that_comes_byte_by_byte_is_taken_whole(rtu: bool) -> None:  # noqa: FBT001 - pytest passes by name
    async def dribble(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        for byte in peer.frame(asked, good_message(asked)):
            writer.write(bytes((byte,)))
            await writer.drain()
            await asyncio.sleep(0)

    async def scenario() -> None:
        async with hostile.peer(rtu=rtu, script=dribble) as peer, connected(peer) as connection:
            assert await connection.read(FOUR) == right(FOUR)
            assert await connection.read(OTHER_FOUR) == right(OTHER_FOUR)

    run(scenario())


@BOTH
def test_the_longest_reads_come_back_whole(rtu: bool) -> None:  # noqa: FBT001 - pytest passes by name
    async def scenario() -> None:
        async with hostile.peer(rtu=rtu) as peer, connected(peer) as connection:
            registers = Block(unit_id=11, table=Table.INPUT, address=0, count=125)
            assert await connection.read(registers) == right(registers)
            bits = Block(unit_id=11, table=Table.COIL, address=0, count=1999)
            assert await connection.read(bits) == (0,) * 1999

    run(scenario())


# --- late replies ----------------------------------------------------------------------------------------------


def test_the_bare_library_takes_a_late_reply_on_rtu_for_the_next_one_which_is_what_we_guard_against() -> None:
    async def scenario() -> None:
        owed: list[bytes] = []

        async def late(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
            if owed:
                writer.write(owed.pop())
            else:
                owed.append(peer.frame(asked, good_message(asked)))

        async with hostile.peer(rtu=True, script=late) as peer:
            client = AsyncModbusTcpClient(
                "127.0.0.1", port=peer.port, framer=FramerType.RTU, retries=0, timeout=SHORT_S, reconnect_delay=0
            )
            await client.connect()
            with pytest.raises(ModbusIOException):
                await client.read_holding_registers(FOUR.address, count=4, device_id=11)
            reply = await client.read_holding_registers(OTHER_FOUR.address, count=4, device_id=11)
            assert tuple(reply.registers) == right(FOUR) != right(OTHER_FOUR)
            client.close()

    run(scenario())


def test_a_late_reply_on_rtu_that_comes_within_the_quiet_period_is_thrown_away() -> None:
    async def scenario() -> None:
        patience = Patience()
        async with (
            hostile.peer(rtu=True, script=hostile.silent) as peer,
            connected(peer, quiet_s=0.2, real_timeout_s=patience) as connection,
        ):
            with pytest.raises(NoAnswer):
                await connection.read(FOUR)
            patience.grow()
            first = peer.asked[0]
            peer.script = hostile.good
            following = asyncio.create_task(connection.read(OTHER_FOUR))
            peer.writers[0].write(peer.frame(first, good_message(first)))
            assert await following == right(OTHER_FOUR)
            assert peer.connections == 1

    run(scenario())


LATE_CASES = [(FOUR, OTHER_FOUR), (FOUR, FOUR), (ONE, OTHER_ONE), (ONE, ONE), (FOUR, ONE), (ONE, FOUR)]


@pytest.mark.usefixtures("late_for_ever")
@pytest.mark.parametrize(("unanswered", "following"), LATE_CASES, ids=str)
def test_a_late_reply_on_rtu_that_waits_for_the_next_request_is_never_its_value(
    unanswered: Block, following: Block
) -> None:
    """The reply to the first request is held until another request comes, and then sent ahead of its own."""
    held: deque[bytes] = deque()

    async def one_behind(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        # The serial number of the request is in the reply, so that an old value of the same registers shows as well.
        reply = read_message(3, [asked.address, *([len(peer.asked)] * (asked.count - 1))])
        if asked.count == 1:
            reply = read_message(3, [1000 * len(peer.asked) + asked.address])
        held.append(peer.frame(asked, reply))
        if len(peer.asked) > 1:
            writer.write(held.popleft())

    async def scenario() -> None:
        async with (
            hostile.peer(rtu=True, script=one_behind) as peer,
            connected(peer, reply_timeout_s=SHORT_S, quiet_s=0.01) as connection,
        ):
            with pytest.raises(NoAnswer):
                await connection.read(unanswered)
            for _ in range(3):
                asked_before = len(peer.asked)
                with contextlib.suppress(NoAnswer, InvalidReply):
                    values = await connection.read(following)
                    number, count = len(peer.asked), following.count
                    assert number > asked_before
                    expected = (following.address, *([number] * (count - 1)))
                    assert values == (expected if count > 1 else (1000 * number + following.address,))

    run(scenario())


def test_a_single_register_on_rtu_is_not_asked_while_a_late_reply_may_still_be_taken_for_it_and_is_afterwards() -> None:
    async def scenario() -> None:
        async with (
            hostile.peer(rtu=True, script=hostile.silent) as peer,
            connected(peer, reply_timeout_s=0.2, quiet_s=0.01) as connection,
        ):
            with pytest.raises(NoAnswer):
                await connection.read(ONE)
            peer.script = hostile.good
            with pytest.raises(NoAnswer, match="not asked, a late reply"):
                await connection.read(OTHER_ONE)
            assert len(peer.asked) == 1
            assert await connection.read(FOUR) == right(FOUR)  # another shape: it answers, so nothing is owed any more
            assert await connection.read(OTHER_ONE) == right(OTHER_ONE)

            peer.script = hostile.silent
            with pytest.raises(NoAnswer):
                await connection.read(ONE)
            peer.script = hostile.good
            while True:
                try:
                    values = await connection.read(OTHER_ONE)
                    break
                except NoAnswer:
                    await asyncio.sleep(0.01)
            assert values == right(OTHER_ONE)

    run(scenario())


@given(
    steps=st.lists(
        st.tuples(
            st.sampled_from([(11, 100, 4), (11, 200, 4), (11, 300, 3), (11, 300, 2), (12, 100, 4), (12, 500, 2)]),
            st.integers(0, 3),
        ),
        min_size=2,
        max_size=10,
    )
)
@settings(max_examples=30, deadline=None)
def test_however_late_an_orderly_line_answers_no_value_is_ever_another_requests(
    steps: list[tuple[tuple[int, int, int], int]],
) -> None:
    """The line answers in order and may hold replies back for as long as it likes."""
    held: deque[bytes] = deque()
    releases: deque[int] = deque()

    async def hold_back(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        held.append(peer.frame(asked, read_message(3, [asked.address, *([len(peer.asked)] * (asked.count - 1))])))
        for _ in range(releases.popleft() if releases else 1):
            if held:
                writer.write(held.popleft())
                await writer.drain()
                await asyncio.sleep(0.001)  # apart from the next, as on a line

    async def scenario() -> None:
        async with (
            hostile.peer(rtu=True, script=hold_back) as peer,
            connected(peer, real_timeout_s=lambda s: {PATIENT_S: 0.03, SHORT_S: 0.005}.get(s, s)) as connection,
        ):
            for (unit_id, address, count), release in steps:
                releases.append(release)
                block = Block(unit_id=unit_id, table=Table.HOLDING, address=address, count=count)
                with contextlib.suppress(EdgeError):
                    values = await connection.read(block)
                    assert values == (address, *([len(peer.asked)] * (count - 1)))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(connection_module, "LATEST_REPLY", 10_000)
        run(scenario())


@pytest.mark.usefixtures("late_for_ever")
def test_a_late_exception_on_rtu_does_not_hide_that_a_reply_is_still_to_come() -> None:
    async def scenario() -> None:
        held: deque[bytes] = deque()

        async def one_behind(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
            first = len(peer.asked) == 1
            held.append(peer.frame(asked, b"\x83\x0b" if first else read_message(3, registers_of(asked))))
            if not first:
                writer.write(held.popleft())

        patience = Patience()
        async with (
            hostile.peer(rtu=True, script=one_behind) as peer,
            connected(peer, quiet_s=0.01, real_timeout_s=patience) as connection,
        ):
            with pytest.raises(NoAnswer):
                await connection.read(FOUR)
            patience.grow()
            three, other_three = (Block(unit_id=11, table=Table.HOLDING, address=a, count=3) for a in (400, 500))
            with pytest.raises(Refused):  # the exception of the first request, taken for this one's
                await connection.read(three)
            patience.limit_s = SHORT_S
            with contextlib.suppress(NoAnswer, InvalidReply):  # the reply to ``three`` must not be this one's
                assert await connection.read(other_three) == right(other_three)

    run(scenario())


def test_late_replies_on_tcp_are_told_by_their_number_even_two_long_ones_in_one_segment() -> None:
    async def scenario() -> None:
        patience = Patience()
        long, other = (Block(unit_id=11, table=Table.HOLDING, address=a, count=125) for a in (0, 1000))

        async def both_at_once(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
            if len(peer.asked) == 2:
                writer.write(b"".join(peer.frame(each, good_message(each)) for each in peer.asked))
            elif len(peer.asked) > 2:
                await hostile.good(peer, asked, writer)

        async with (
            hostile.peer(script=both_at_once) as peer,
            connected(peer, real_timeout_s=patience) as connection,
        ):
            with pytest.raises(NoAnswer):
                await connection.read(long)
            patience.grow()
            assert await connection.read(other) == right(other)
            assert await connection.read(long) == right(long)
            assert peer.connections == 1

    run(scenario())


def test_bytes_that_nobody_asked_for_on_rtu_are_let_pass_before_the_next_request() -> None:
    async def scenario() -> None:
        async with hostile.peer(rtu=True) as peer, connected(peer, quiet_s=0.2) as connection:
            assert await connection.read(FOUR) == right(FOUR)
            again = peer.frame(peer.asked[0], good_message(peer.asked[0]))
            link = connection._link
            assert link is not None
            peer.writers[0].write(again[:5])
            await hostile.until(lambda: link.stirred)
            following = asyncio.create_task(connection.read(OTHER_FOUR))
            peer.writers[0].write(again[5:])
            assert await following == right(OTHER_FOUR)
            assert peer.connections == 1

    run(scenario())


def test_a_line_that_never_falls_silent_is_given_up_and_opened_anew() -> None:
    async def babble(_peer: Peer, _asked: Asked, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            while not writer.is_closing():
                writer.write(b"\xaa")
                await writer.drain()
                await asyncio.sleep(0.005)

    async def scenario() -> None:
        async with hostile.peer(rtu=True, script=babble) as peer, connected(peer, quiet_s=0.03) as connection:
            with pytest.raises(InvalidReply, match="unit 170 came"):
                await connection.read(FOUR)
            with pytest.raises(InvalidReply, match="does not fall silent"):
                await connection.read(FOUR)
            peer.script = hostile.good
            assert await connection.read(OTHER_FOUR) == right(OTHER_FOUR)
            assert peer.connections == 2

    run(scenario())


# --- cancellation, order, opening and closing ------------------------------------------------------------------


@BOTH
def test_a_cancelled_read_ends_as_cancelled_and_its_late_reply_is_nobodys(rtu: bool) -> None:  # noqa: FBT001 - pytest passes by name
    async def scenario() -> None:
        async with hostile.peer(rtu=rtu, script=hostile.silent) as peer, connected(peer) as connection:
            before = asyncio.all_tasks()
            reading = asyncio.create_task(connection.read(FOUR))
            first = await peer.wait_for_request(1)
            reading.cancel()
            with pytest.raises(asyncio.CancelledError):
                await reading
            assert asyncio.all_tasks() == before

            async def late_one_first(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
                if not rtu:
                    writer.write(peer.frame(first, good_message(first)))
                writer.write(peer.frame(asked, good_message(asked)))

            if rtu:
                peer.writers[0].write(peer.frame(first, good_message(first)))
            peer.script = late_one_first
            assert await connection.read(OTHER_FOUR) == right(OTHER_FOUR)
            assert peer.connections == 1

    run(scenario())


@BOTH
def test_cancellation_at_every_moment_passes_through_and_the_next_read_is_right(rtu: bool) -> None:  # noqa: FBT001 - pytest passes by name
    async def scenario() -> None:
        async with hostile.peer(rtu=rtu) as peer, connected(peer, quiet_s=0.01) as connection:
            for steps in range(30):
                reading = asyncio.create_task(connection.read(FOUR))
                for _ in range(steps):
                    await asyncio.sleep(0)
                if reading.cancel():
                    with pytest.raises(asyncio.CancelledError):
                        await reading
                assert await connection.read(OTHER_FOUR) == right(OTHER_FOUR)
            assert peer.connections == 1

    run(scenario())


def test_one_request_is_in_flight_at_a_time() -> None:
    async def scenario() -> None:
        readings: list[asyncio.Task[tuple[int, ...]]] = []
        finished_at_arrival: list[int] = []

        async def count(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
            finished_at_arrival.append(sum(reading.done() for reading in readings))
            await hostile.good(peer, asked, writer)

        async with hostile.peer(script=count) as peer, connected(peer) as connection:
            readings += [asyncio.create_task(connection.read(FOUR)) for _ in range(5)]
            await asyncio.gather(*readings)
        assert finished_at_arrival == [0, 1, 2, 3, 4]

    run(scenario())


def test_the_pause_lies_between_two_requests() -> None:
    async def scenario() -> None:
        moments: list[float] = []

        async def note(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
            moments.append(asyncio.get_running_loop().time())
            await hostile.good(peer, asked, writer)

        async with hostile.peer(rtu=True, script=note) as peer, connected(peer, pause_s=0.08) as connection:
            await connection.read(FOUR)
            await connection.read(OTHER_FOUR)
        assert moments[1] - moments[0] >= 0.08

    run(scenario())


def test_the_time_of_a_reply_counts_neither_the_pause_before_it_nor_the_wait_for_silence() -> None:
    async def scenario() -> None:
        loop = asyncio.get_running_loop()
        async with hostile.peer(rtu=True) as peer, connected(peer, pause_s=1.0, quiet_s=1.0) as connection:
            await connection.read(FOUR)
            began_s = loop.time()
            await connection.read(OTHER_FOUR)
            assert loop.time() - began_s > 0.9
            assert 0 < connection.last_reply_s < 0.9

    run(scenario())


def test_a_connection_satisfies_the_drivers_protocol() -> None:
    async def scenario() -> None:
        keys = NetworkConnection(transport="tcp", host="127.0.0.1")
        connection: Connection = ModbusConnection("PC1", keys)
        assert connection.name == "PC1"

    run(scenario())


def test_nothing_is_asked_before_opening_and_after_closing() -> None:
    async def scenario() -> None:
        async with hostile.peer() as peer:
            keys = NetworkConnection(transport="tcp", host="127.0.0.1", port=peer.port)
            connection = ModbusConnection("PC1", keys)
            await connection.close()
            with pytest.raises(NotConnected, match="PC1: not open"):
                await connection.read(FOUR)
            await connection.open()
            await connection.open()
            assert await connection.read(FOUR) == right(FOUR)
            await connection.close()
            await connection.close()
            with pytest.raises(NotConnected, match="PC1: not open"):
                await connection.read(FOUR)
            await connection.open()
            assert await connection.read(FOUR) == right(FOUR)
            assert peer.connections == 2
            await connection.close()

    run(scenario())


def test_closing_ends_a_request_in_flight() -> None:
    async def scenario() -> None:
        async with hostile.peer(script=hostile.silent) as peer, connected(peer) as connection:
            reading = asyncio.create_task(connection.read(FOUR))
            await peer.wait_for_request(1)
            await connection.close()
            with pytest.raises(NotConnected, match="closed while waiting"):
                await reading

    run(scenario())


def test_a_port_where_nobody_listens_is_told_at_once() -> None:
    async def scenario() -> None:
        with socket.create_server(("127.0.0.1", 0)) as server:
            port = server.getsockname()[1]
        keys = NetworkConnection(transport="tcp", host="127.0.0.1", port=port, connect_timeout_s=60.0)
        with pytest.raises(NotConnected, match=f"127.0.0.1:{port} cannot be connected"):
            await ModbusConnection("PC1", keys).open()

    run(scenario())


def test_a_peer_that_does_not_take_the_connection_is_given_up_after_the_connect_time_out() -> None:
    async def scenario() -> None:
        with contextlib.ExitStack() as stack:
            server = stack.enter_context(socket.socket())
            server.bind(("127.0.0.1", 0))
            server.listen(0)
            for _ in range(3):  # fill its queue: further connections get no answer at all
                filler = stack.enter_context(socket.socket())
                filler.setblocking(False)
                filler.connect_ex(server.getsockname())
            keys = NetworkConnection(transport="tcp", host="127.0.0.1", port=server.getsockname()[1])
            connection = ModbusConnection("PC1", keys, real_timeout_s=lambda s: s / 30)
            before = asyncio.all_tasks()
            with pytest.raises(NotConnected, match=r"waited 0\.1 s at most"):
                await connection.open()
            opening = asyncio.create_task(connection.open())
            await asyncio.sleep(0)
            await asyncio.sleep(0)
            opening.cancel()
            with pytest.raises(asyncio.CancelledError):
                await opening
            assert asyncio.all_tasks() == before

    run(scenario())


@BOTH
def test_a_peer_that_only_listens_is_connected_anew_after_three_silences(rtu: bool) -> None:  # noqa: FBT001 - pytest passes by name
    async def scenario() -> None:
        patience = Patience()
        async with (
            hostile.peer(rtu=rtu, script=hostile.silent) as peer,
            connected(peer, quiet_s=0.0, real_timeout_s=patience) as connection,
        ):
            for block in (FOUR, OTHER_FOUR, FOUR):
                with pytest.raises(NoAnswer):
                    await connection.read(block)
            assert peer.connections == 1
            patience.grow()
            peer.script = hostile.good
            assert await connection.read(FOUR) == right(FOUR)
            assert peer.connections == 2

    run(scenario())


def test_failing_requests_and_connections_leave_no_lines_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    async def scenario() -> None:
        async with hostile.peer(script=TCP_LIES["a wrong transaction"]) as peer, connected(peer) as connection:
            for _ in range(5):
                with pytest.raises(InvalidReply):
                    await connection.read(FOUR)
        keys = NetworkConnection(transport="tcp", host="127.0.0.1", port=peer.port)
        for _ in range(5):
            with pytest.raises(NotConnected):
                await ModbusConnection("COM1", keys).open()

    with caplog.at_level(logging.INFO):
        run(scenario())
    assert caplog.records == []


# --- writing ---------------------------------------------------------------------------------------------------


def test_a_declared_output_is_written_in_one_request_with_function_16() -> None:
    async def scenario() -> None:
        async with hostile.peer() as peer, connected(peer) as connection:
            await connection.write(OUTPUT, [7, 42405, 0, 13107])
            expected = b"\x08" + b"".join(value.to_bytes(2, "big") for value in (7, 42405, 0, 13107))
            assert peer.asked == [Asked(1, 1, 16, 320, 4, expected)]

    run(scenario())


@pytest.mark.parametrize(
    "block",
    [
        Block(unit_id=1, table=Table.HOLDING, address=320, count=3),
        Block(unit_id=1, table=Table.HOLDING, address=321, count=4),
        Block(unit_id=2, table=Table.HOLDING, address=320, count=4),
        Block(unit_id=1, table=Table.COIL, address=320, count=4),
        Block(unit_id=0, table=Table.HOLDING, address=320, count=4),
    ],
    ids=str,
)
def test_anything_but_the_declared_block_is_forbidden_and_nothing_is_sent(block: Block) -> None:
    async def scenario() -> None:
        async with hostile.peer() as peer, connected(peer) as connection:
            with pytest.raises(WriteForbidden, match="nothing was sent"):
                await connection.write(block, [0] * block.count)
            await connection.read(FOUR)
            assert [asked.function for asked in peer.asked] == [3]

    run(scenario())


@pytest.mark.parametrize("values", [[1, 2, 3], [1, 2, 3, 4, 5], [1, 2, 3, -1], [1, 2, 3, 65536]], ids=str)
def test_values_that_do_not_fit_the_block_are_refused_before_anything_is_sent(values: list[int]) -> None:
    async def scenario() -> None:
        async with hostile.peer() as peer, connected(peer) as connection:
            with pytest.raises(ValueError, match=r"takes 4 values 0..65535"):
                await connection.write(OUTPUT, values)
            assert peer.asked == []

    run(scenario())


@BOTH
@pytest.mark.parametrize(
    "reply",
    [b"\x10\x01\x41\x00\x04", b"\x10\x01\x40\x00\x03", b"\x06\x01\x40\x00\x04", b"\x03\x02\x00\x01"],
    ids=["another address", "another count", "another function", "a read reply"],
)
def test_an_acknowledgement_of_something_else_is_none(rtu: bool, reply: bytes) -> None:  # noqa: FBT001 - pytest passes by name
    async def scenario() -> None:
        async with hostile.peer(rtu=rtu, script=message(lambda _: reply)) as peer, connected(peer) as connection:
            with pytest.raises(InvalidReply, match="unit 1, function 16, addresses 320 to 323"):
                await connection.write(OUTPUT, [1, 2, 3, 4])
            peer.script = hostile.good
            await connection.write(OUTPUT, [1, 2, 3, 4])

    run(scenario())


def test_a_refused_write_is_told_with_its_code() -> None:
    async def scenario() -> None:
        script = message(lambda _: b"\x90\x04")
        async with hostile.peer(script=script) as peer, connected(peer) as connection:
            with pytest.raises(Refused) as caught:
                await connection.write(OUTPUT, [1, 2, 3, 4])
            assert caught.value.code == 4

    run(scenario())


@pytest.mark.parametrize(
    "block",
    [
        Block(unit_id=0, table=Table.HOLDING, address=0, count=1),
        Block(unit_id=256, table=Table.HOLDING, address=0, count=1),
        Block(unit_id=1, table=Table.HOLDING, address=0, count=0),
        Block(unit_id=1, table=Table.HOLDING, address=0, count=126),
        Block(unit_id=1, table=Table.COIL, address=0, count=2001),
        Block(unit_id=1, table=Table.INPUT, address=65535, count=2),
        Block(unit_id=1, table=Table.INPUT, address=-1, count=2),
    ],
    ids=str,
)
def test_blocks_that_no_device_has_and_unit_0_are_refused(block: Block) -> None:
    async def scenario() -> None:
        async with hostile.peer() as peer, connected(peer) as connection:
            with pytest.raises(ValueError, match="COM1: "):
                await connection.read(block)
            assert peer.asked == []

    run(scenario())


@pytest.mark.parametrize(
    "block",
    [
        Block(unit_id=0, table=Table.HOLDING, address=320, count=4),
        Block(unit_id=1, table=Table.COIL, address=320, count=4),
        Block(unit_id=1, table=Table.HOLDING, address=320, count=124),
    ],
    ids=str,
)
def test_an_impossible_output_is_refused_when_the_connection_is_made(block: Block) -> None:
    async def scenario() -> None:
        keys = NetworkConnection(transport="tcp", host="127.0.0.1")
        with pytest.raises(ValueError, match="PC1: "):
            ModbusConnection("PC1", keys, outputs=[block])

    run(scenario())


def test_a_reply_of_the_connection_before_is_none_of_this_one_since_the_numbers_go_on() -> None:
    async def scenario() -> None:
        said: list[bytes] = []

        async def script(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
            frame = peer.frame(asked, good_message(asked))
            said.append(frame)
            writer.write(said[0] if peer.connections > 1 else frame)

        async with hostile.peer(script=script) as peer, connected(peer) as connection:
            assert await connection.read(FOUR) == right(FOUR)
            peer.writers[-1].close()
            await hostile.until(lambda: not still_usable(connection))
            with pytest.raises(InvalidReply):
                await connection.read(OTHER_FOUR)
        assert peer.asked[-1].transaction == peer.asked[0].transaction + 1

    run(scenario())
