"""Polling over real sockets and a serial line: what a dead, slow or lying device does to the others and to the record.

Times are a tenth of those of the demo's line COM2 (ten devices at 19200 baud, polled every 5 s, replies after 10 to
60 ms, a time-out of 0.5 s and 0.3 s of silence after it), so that all cases together take seconds.
"""

import asyncio
import contextlib
import itertools
import statistics
from collections import defaultdict
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from random import Random
from types import MappingProxyType

import pytest

from gateway.configuration.poll_plan import Block, PlannedBlock, Slot, Table
from gateway.configuration.schema import NetworkConnection
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number, Sample
from gateway.core.scaling import Scaling
from gateway.drivers.modbus.connection import ModbusConnection
from gateway.field.clock import SystemClock
from gateway.field.image import InputImage
from gateway.field.polling import Poller
from tests.drivers import hostile
from tests.drivers.hostile import Asked, Peer
from tests.drivers.test_modbus_peers import serial_line

INTERVAL_MS = 500
STALE_MS = 3 * INTERVAL_MS
UNITS = range(1, 11)
VICTIM = 4  # somewhere in the middle of each round
WELL_S, ILL_S = 1.2, 8.0
BYTE_S = 10 / 192_000
WAIT_S = 30.0
REPLY_TIMEOUT_S = 0.05
STALL_TICK_S, TRIES = 0.005, 4
LATE_S = 0.08  # after the time-out, and while the next request may be under way

Script = Callable[[Peer, Asked, asyncio.StreamWriter], Awaitable[None]]


def block(unit_id: int, address: int = 0) -> PlannedBlock:
    return PlannedBlock(
        block=Block(unit_id=unit_id, table=Table.HOLDING, address=address, count=2),
        interval_ms=INTERVAL_MS,
        hurried_ms=INTERVAL_MS,
        slots=tuple(Slot(tag=tag(unit_id, address + n), offset=n, count=1, type="uint16") for n in (0, 1)),
    )


def tag(unit_id: int, address: int) -> str:
    return f"{unit_id}/{address}"


# --- periods ------------------------------------------------------------------------------------------------------


class Paced:
    """Devices that answer as fast as their line lets them, until some fall ill."""

    def __init__(self) -> None:
        self.dead: frozenset[int] = frozenset()
        self.late_s: Mapping[int, float] = {}
        self._dice = Random(5)  # noqa: S311 - a run that repeats
        self._late: list[asyncio.Task[None]] = []

    async def __call__(self, peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        if asked.unit_id in self.dead:
            return
        reply = peer.frame(asked, hostile.good_message(asked))
        if asked.unit_id in self.late_s:
            self._late.append(asyncio.create_task(self._later(self.late_s[asked.unit_id], writer, reply)))
            return
        await asyncio.sleep(8 * BYTE_S + self._dice.uniform(0.001, 0.006) + len(reply) * BYTE_S)
        writer.write(reply)

    async def _later(self, late_s: float, writer: asyncio.StreamWriter, reply: bytes) -> None:
        """It has left the line to the others, and answers in between."""
        await asyncio.sleep(late_s)
        if not writer.is_closing():
            writer.write(reply)

    async def end(self) -> None:
        for task in self._late:
            task.cancel()
        await asyncio.gather(*self._late, return_exceptions=True)


class Periods(InputImage):
    """Notes when each tag was read well; keeps nothing else."""

    def __init__(self, clock: SystemClock) -> None:
        super().__init__()
        self._clock = clock
        self._read_ms: dict[str, list[int]] = defaultdict(list)

    def put(self, arrival: object) -> bool:
        if isinstance(arrival, Sample) and isinstance(arrival.reading, Number):
            self._read_ms[arrival.tag].append(arrival.arrived.monotonic_ms)
        return True

    def gaps_ms(self, tag_: str, since_ms: int) -> list[int]:
        """From reading to reading, the last one before ``since_ms`` included, and how old the newest is now."""
        times_ms = self._read_ms[tag_]
        first = max((n for n, at in enumerate(times_ms) if at <= since_ms), default=0)
        return [later - earlier for earlier, later in pairwise([*times_ms[first:], self._clock.now().monotonic_ms])]


@dataclass
class Ward:
    """What was seen of one case: tag to the gaps between its good readings."""

    gaps_ms: dict[str, list[int]] = field(default_factory=dict)

    def median_ms(self) -> float:
        return statistics.median(gap for gaps in self.gaps_ms.values() for gap in gaps[:-1])

    def longest_ms(self) -> int:
        return max(gap for gaps in self.gaps_ms.values() for gap in gaps)


@contextlib.asynccontextmanager
async def polled_line(paced: Script) -> AsyncIterator[tuple[Periods, Peer, SystemClock]]:
    clock = SystemClock()
    async with hostile.peer(rtu=True, script=paced) as peer:
        keys = NetworkConnection(
            transport="rtu_over_tcp",
            host="127.0.0.1",
            port=peer.port,
            reply_timeout_s=REPLY_TIMEOUT_S,
            quiet_after_timeout_s=0.03,
            pause_s=0.001,
        )
        image = Periods(clock)
        async with polling(ModbusConnection("COM2", keys), [block(unit) for unit in UNITS], image, clock):
            yield image, peer, clock


@contextlib.asynccontextmanager
async def polling(
    connection: ModbusConnection,
    blocks: Sequence[PlannedBlock],
    image: InputImage,
    clock: SystemClock,
    constants: Mapping[int, str] = MappingProxyType({}),
) -> AsyncIterator[Poller]:
    scalings = {name: Scaling() for planned in blocks for name in planned.tags}
    poller = Poller(
        connection=connection, blocks=blocks, scalings=scalings, image=image, clock=clock, constants=constants
    )
    task = asyncio.ensure_future(poller.run())
    try:
        yield poller
        assert not task.done(), task.exception()
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def fall_ill(*, dead: frozenset[int] = frozenset(), late_s: Mapping[int, float] | None = None) -> Ward:
    """A line on which some devices fall ill after a while; what that does to the others."""
    paced = Paced()
    async with polled_line(paced) as (image, _, clock):
        await clock.sleep(WELL_S)
        paced.dead, paced.late_s = dead, late_s or {}
        since_ms = clock.now().monotonic_ms
        await clock.sleep(ILL_S)
        ill = dead | paced.late_s.keys()
        ward = Ward({tag(unit, 0): image.gaps_ms(tag(unit, 0), since_ms) for unit in UNITS if unit not in ill})
    await paced.end()
    return ward


async def everything() -> dict[str, Ward]:
    """All cases side by side, in one process as in the field; one of the lines is dead altogether."""
    names = ("all well", "one dead", "two dead", "one answers after six time-outs", "one answers just too late")
    wards = await asyncio.gather(
        fall_ill(),
        fall_ill(dead=frozenset({VICTIM})),
        fall_ill(dead=frozenset({VICTIM, VICTIM + 3})),
        fall_ill(late_s={VICTIM: 0.3}),
        fall_ill(late_s={VICTIM: 0.07}),
        fall_ill(dead=frozenset(UNITS)),
    )
    return dict(zip(names, wards, strict=False))


async def stalls(worst_ms: list[float]) -> None:
    """Note by how much a bare sleep of this process is late at worst."""
    loop = asyncio.get_running_loop()
    while True:
        before_s = loop.time()
        await asyncio.sleep(STALL_TICK_S)
        worst_ms.append((loop.time() - before_s - STALL_TICK_S) * 1000)


async def everything_timed() -> tuple[dict[str, Ward], float]:
    late_ms: list[float] = []
    ticker = asyncio.ensure_future(stalls(late_ms))
    wards = await everything()
    ticker.cancel()
    return wards, max(late_ms)


@pytest.fixture(scope="module")
def wards() -> dict[str, Ward]:
    """Seen while the machine itself never stood still for as long as a reply may take; it is tried a few times."""
    for _ in range(TRIES):
        seen, stalled_ms = asyncio.run(everything_timed())
        if stalled_ms < REPLY_TIMEOUT_S * 1000 / 2:
            break
    return seen


CASES = ("all well", "one dead", "two dead", "one answers after six time-outs", "one answers just too late")


@pytest.mark.alone
@pytest.mark.parametrize("case", CASES)
def test_the_others_keep_their_period_within_a_tenth(wards: dict[str, Ward], case: str) -> None:
    """While a whole other line is dead, too."""
    assert wards[case].median_ms() == pytest.approx(INTERVAL_MS, rel=0.1)


@pytest.mark.alone
@pytest.mark.parametrize("case", CASES)
def test_no_reading_of_the_others_becomes_stale(wards: dict[str, Ward], case: str) -> None:
    assert wards[case].longest_ms() < STALE_MS


# --- values -------------------------------------------------------------------------------------------------------


class Liar:
    """Each unit answers well three times, and then late, twice not at all, with an exception, or otherwise, in turn."""

    def __init__(self) -> None:
        lies = ("late", "function", "exception", "fewer", "silent", "more", "other")
        turn = [manner for lie in lies for manner in ("good", "good", "good", lie, *["silent"] * (lie == "silent"))]
        self._manners: dict[int, Iterator[str]] = defaultdict(lambda: itertools.cycle(turn))
        self._late: list[asyncio.Task[None]] = []
        self.told: dict[str, int] = defaultdict(int)

    async def __call__(self, peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        manner = next(self._manners[asked.unit_id])
        self.told[manner] += 1
        registers = hostile.registers_of(asked)
        messages = {
            "good": hostile.good_message(asked),
            "exception": bytes((0x80 | asked.function, 2)),
            "function": hostile.read_message(4, registers),
            "fewer": hostile.read_message(asked.function, registers[:1]),
            "more": hostile.read_message(asked.function, [*registers, 7]),
            "other": hostile.read_message(asked.function, [7, 7, 7]),
        }
        if manner == "late":
            self._late.append(asyncio.create_task(self._later(writer, peer.frame(asked, messages["good"]))))
        elif manner != "silent":
            writer.write(peer.frame(asked, messages[manner]))

    async def _later(self, writer: asyncio.StreamWriter, reply: bytes) -> None:
        await asyncio.sleep(LATE_S)
        if not writer.is_closing():
            writer.write(reply)

    async def end(self) -> None:
        for task in self._late:
            task.cancel()
        await asyncio.gather(*self._late, return_exceptions=True)


@pytest.mark.parametrize("transport", ["tcp", "rtu_over_tcp"])
def test_whatever_the_devices_answer_no_tag_ever_gets_a_number_that_is_not_its_own(transport: str) -> None:
    """Blocks of one length, so that every late or foreign reply would fit another request."""

    async def scenario() -> None:
        clock, image, liar = SystemClock(), InputImage(), Liar()
        async with hostile.peer(rtu=transport != "tcp", script=liar) as peer:
            keys = NetworkConnection.model_validate(
                {
                    "transport": transport,
                    "host": "127.0.0.1",
                    "port": peer.port,
                    "reply_timeout_s": 0.05,
                    "quiet_after_timeout_s": 0.02,
                }
            )
            blocks = [block(unit, address) for unit in (1, 2) for address in (0, 10, 20)]
            async with polling(ModbusConnection("L1", keys), blocks, image, clock) as poller:
                async with asyncio.timeout(WAIT_S):
                    while liar.told["other"] < 2:  # noqa: ASYNC110 - counted by the peer
                        await asyncio.sleep(0.02)
                kinds = {kind for one in poller.statistics().values() for kind in one.failed}
        await liar.end()
        assert kinds >= {"NoAnswer", "InvalidReply", "Refused"}
        samples = [one for one in image.take() if isinstance(one, Sample)]
        for one in samples:
            unit, address = map(int, one.tag.split("/"))
            assert isinstance(one.reading, NoNumber) or one.reading == Number(float(1_000 * unit + address)), one
        assert {one.reading.reason for one in samples if isinstance(one.reading, NoNumber)} >= {
            Reason.NO_ANSWER,  # only said after two in a row, as an invalid reply is
            Reason.REFUSED,
        }

    asyncio.run(scenario())


def test_after_a_lost_connection_the_test_constant_is_the_first_thing_asked_on_the_new_one() -> None:
    async def scenario() -> None:
        constant = replace(block(1, 50), interval_ms=60_000, hurried_ms=60_000)
        blocks, clock, image = [block(1), constant, block(1, 20)], SystemClock(), InputImage()
        async with hostile.peer() as peer:
            keys = NetworkConnection(transport="tcp", host="127.0.0.1", port=peer.port)
            connection = ModbusConnection("UV1", keys)
            async with polling(connection, blocks, image, clock, constants={1: tag(1, 50)}):
                assert [(await peer.wait_for_request(n)).address for n in (1, 2, 3)] == [50, 0, 20]
                await peer.wait_for_request(5)
                for writer in peer.writers:
                    writer.close()
                asked = len(peer.asked)
                assert (await peer.wait_for_request(asked + 1)).address == 50
                assert peer.connections == connection.connects == 2
                assert {(await peer.wait_for_request(asked + n)).address for n in (2, 3)} == {0, 20}

    asyncio.run(scenario())


def test_two_units_of_another_make_on_a_serial_line_are_polled_while_a_third_is_dead() -> None:
    async def scenario() -> None:
        clock, image = SystemClock(), InputImage()
        async with serial_line() as (connection, first, second):
            first.mapping.contents.holding[0], first.mapping.contents.holding[1] = 4_711, 1
            second.mapping.contents.holding[0], second.mapping.contents.holding[1] = 815, 2
            blocks = [block(unit) for unit in (11, 12, 13)]
            async with polling(connection, blocks, image, clock) as poller:
                async with asyncio.timeout(WAIT_S):
                    while not (poller.statistics()[13].silent and poller.statistics()[12].answered >= 4):  # noqa: ASYNC110 - looked at
                        await asyncio.sleep(0.02)
                assert poller.line_statistics().is_open
        samples = [one for one in image.take() if isinstance(one, Sample)]
        assert {one.reading for one in samples if one.tag == "11/0"} == {Number(4_711.0)}
        assert {one.reading for one in samples if one.tag == "12/0"} == {Number(815.0)}
        assert {one.reading for one in samples if one.tag == "13/0"} == {NoNumber(Reason.NO_ANSWER)}

    asyncio.run(scenario())
