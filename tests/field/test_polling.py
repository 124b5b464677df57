"""When each block is asked: a scripted line on a manual clock, and once a real Modbus server of another make."""

import asyncio
import math
import socket
import struct
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from random import Random

import pytest
from pyModbusTCP.server import DataBank, ModbusServer

from gateway.configuration.schema import NetworkConnection
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number, Sample
from gateway.core.scaling import Scaling
from gateway.drivers.driver import Block, Table
from gateway.drivers.errors import EdgeError, InvalidReply, NoAnswer, NotConnected, Refused
from gateway.drivers.modbus.codec import Encoding
from gateway.drivers.modbus.connection import ModbusConnection
from gateway.drivers.modbus.register_map import PlannedBlock, Slot
from gateway.field.clock import Clock, ManualClock, SystemClock
from gateway.field.image import InputImage
from gateway.field.polling import Poller


@dataclass
class Line:
    """A line with units behind it, as scripted: how long each takes, and what it fails with."""

    clock: ManualClock
    reply_s: float = 0.05
    timeout_s: float = 0.8
    faults: dict[int, EdgeError] = field(default_factory=dict)
    lose_once: set[int] = field(default_factory=set)
    refuse_to_open: bool = False
    asked: list[tuple[int, int]] = field(default_factory=list)  # plant ms, unit
    opened: list[int] = field(default_factory=list)  # plant ms of every attempt
    closed: int = 0
    busy: bool = False
    name: str = "LINE"

    async def open(self) -> None:
        if self.refuse_to_open:
            self.opened.append(self.clock.now().monotonic_ms)
            raise NotConnected("LINE: refused")

    async def read(self, block: Block) -> tuple[int, ...]:
        assert not self.busy, "two requests in flight on one connection"
        self.busy = True
        try:
            self.asked.append((self.clock.now().monotonic_ms, block.unit_id))
            await self._answer(block.unit_id)
        finally:
            self.busy = False
        return tuple(range(block.count))

    async def write(self, block: Block, values: Sequence[int]) -> None:
        raise AssertionError(f"polling wrote {values} to {block}")

    async def close(self) -> None:
        self.closed += 1

    async def _answer(self, unit_id: int) -> None:
        fault = self.faults.get(unit_id)
        if unit_id in self.lose_once:
            self.lose_once.remove(unit_id)
            fault = NoAnswer("lost")
        await self.clock.sleep(self.timeout_s if isinstance(fault, NoAnswer) else self.reply_s)
        if fault is not None:
            raise fault

    def times(self, unit_id: int) -> list[int]:
        return [at for at, asked in self.asked if asked == unit_id]


def planned(unit_id: int, *tags: str, interval_s: float = 5.0, hurried_s: float | None = None) -> PlannedBlock:
    interval_ms = round(interval_s * 1_000)
    return PlannedBlock(
        block=Block(unit_id=unit_id, table=Table.HOLDING, address=0, count=len(tags)),
        interval_ms=interval_ms,
        hurried_ms=interval_ms if hurried_s is None else round(hurried_s * 1_000),
        slots=tuple(Slot(tag=tag, offset=n, count=1, encoding=Encoding("uint16")) for n, tag in enumerate(tags)),
    )


Script = Callable[[Poller, Line, InputImage], Awaitable[None]]


def play(script: Script, *blocks: PlannedBlock, reply_s: float = 0.05) -> tuple[Line, InputImage]:
    """Run a poller of these blocks under a script that moves the clock."""

    async def run() -> tuple[Line, InputImage]:
        clock = ManualClock()
        line, image = Line(clock=clock, reply_s=reply_s), InputImage()
        scalings = {tag: Scaling() for block in blocks for tag in block.tags}
        poller = Poller(connection=line, blocks=blocks, scalings=scalings, image=image, clock=clock, random=Random(1))  # noqa: S311 - a run that repeats
        task = asyncio.ensure_future(poller.run())
        try:
            await script(poller, line, image)
            assert not task.done(), task.exception()
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        return line, image

    return asyncio.run(run())


def samples(image: InputImage, tag: str) -> list[Sample]:
    return [arrival for arrival in image.take() if isinstance(arrival, Sample) and arrival.tag == tag]


def gaps(times: Sequence[int]) -> list[int]:
    return [later - earlier for earlier, later in pairwise(times)]


def for_s(seconds: float) -> Script:
    async def script(_: Poller, line: Line, __: InputImage) -> None:
        await line.clock.run_for(round(seconds * 1_000))

    return script


def test_a_block_is_asked_on_its_grid_without_drift() -> None:
    line, image = play(for_s(60), planned(11, "A", "B"))
    assert line.times(11) == list(range(0, 60_001, 5_000))
    readings = samples(image, "B")
    assert readings[0] == Sample(
        tag="B", reading=Number(1.0), arrived=readings[0].arrived, source_utc_ms=readings[0].arrived.utc_ms, raw=(1,)
    )
    assert [reading.arrived.monotonic_ms for reading in readings[:2]] == [50, 5_050]


def test_words_that_hold_no_number_are_a_reading_without_one_and_keep_their_raw_words() -> None:
    slot = Slot(tag="F", offset=0, count=2, encoding=Encoding("float32"))
    block = Block(unit_id=11, table=Table.HOLDING, address=0, count=2)

    class NotANumber(Line):
        async def read(self, block: Block) -> tuple[int, ...]:
            await super().read(block)
            return struct.unpack(">HH", struct.pack(">f", math.nan))

    async def run() -> Sample:
        clock = ManualClock()
        image = InputImage()
        poller = Poller(
            connection=NotANumber(clock=clock),
            blocks=[PlannedBlock(block=block, interval_ms=5_000, hurried_ms=5_000, slots=(slot,))],
            scalings={"F": Scaling()},
            image=image,
            clock=clock,
        )
        task = asyncio.ensure_future(poller.run())
        await clock.run_for(1_000)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return samples(image, "F")[0]

    sample = asyncio.run(run())
    assert sample.reading == NoNumber(Reason.NOT_FINITE)
    assert sample.raw == (0x7FC0, 0)


def test_a_dead_unit_does_not_slow_the_others_on_its_line() -> None:
    async def script(_: Poller, line: Line, __: InputImage) -> None:
        line.faults[12] = NoAnswer("dead")
        await line.clock.run_for(1_200_000)

    line, image = play(script, planned(12, "DEAD-1"), planned(12, "DEAD-2"), planned(11, "A"), planned(13, "B"))
    settled = [at for at in line.times(11) if at > 10_000]
    assert all(abs(gap - 5_000) <= 500 for gap in gaps(settled))
    assert len(settled) == 1 + (1_200_000 - 15_000) // 5_000
    assert max(gaps(line.times(11))) < 7_000, "nor while it was found out"
    probes = [at for at in line.times(12) if at > 120_000]
    assert len(probes) >= 1_080_000 / 45_000, "a dead unit is still asked now and then"
    assert len(probes) <= 1_080_000 / 24_000, "and rarely"
    assert samples(image, "DEAD-1") != []


def test_every_tag_of_a_dead_unit_keeps_failing_at_its_own_pace() -> None:
    async def script(_: Poller, line: Line, __: InputImage) -> None:
        line.faults[12] = NoAnswer("dead")
        await line.clock.run_for(300_000)

    _, image = play(script, planned(12, "FAST"), planned(12, "SLOW", interval_s=60.0), planned(11, "A"))
    arrivals = image.take()
    for tag, interval_ms in (("FAST", 5_000), ("SLOW", 60_000)):
        own = [arrival for arrival in arrivals if isinstance(arrival, Sample) and arrival.tag == tag]
        assert {sample.reading for sample in own} == {NoNumber(Reason.NO_ANSWER)}
        assert max(gaps([sample.arrived.monotonic_ms for sample in own])) <= interval_ms + 1_700
        assert all(sample.raw == () for sample in own)


def test_a_unit_that_answers_again_is_back_with_all_its_blocks_at_once() -> None:
    async def script(poller: Poller, line: Line, image: InputImage) -> None:
        line.faults[12] = NoAnswer("dead")
        await line.clock.run_for(600_000)
        assert poller.statistics()[12].silent
        del line.faults[12]
        image.take()
        await line.clock.run_for(42_000)
        assert not poller.statistics()[12].silent

    line, image = play(script, planned(12, "FAST"), planned(12, "SLOW", interval_s=600.0), planned(11, "A"))
    arrivals = image.take()
    good = {arrival.tag for arrival in arrivals if isinstance(arrival, Sample) and isinstance(arrival.reading, Number)}
    assert good == {"FAST", "SLOW", "A"}
    back = [at for at in line.times(12) if at > 600_000]
    assert back[1] - back[0] <= 200


def test_one_lost_reply_is_asked_for_again_soon_and_fails_no_other_block() -> None:
    async def script(_: Poller, line: Line, __: InputImage) -> None:
        line.lose_once.add(12)
        await line.clock.run_for(4_000)

    line, image = play(script, planned(12, "LOST", interval_s=60.0), planned(12, "OTHER", interval_s=60.0))
    arrivals = image.take()
    seen = [(arrival.tag, type(arrival.reading)) for arrival in arrivals if isinstance(arrival, Sample)]
    assert sorted(seen, key=str) == sorted([("LOST", NoNumber), ("LOST", Number), ("OTHER", Number)], key=str), (
        "the other block was put off, not failed"
    )
    assert line.times(12)[1] <= 800 + 1_200


def test_a_sole_unit_that_returns_is_seen_within_seconds() -> None:
    async def script(_: Poller, line: Line, image: InputImage) -> None:
        line.faults[1] = NoAnswer("off")
        await line.clock.run_for(600_000)
        del line.faults[1]
        image.take()
        await line.clock.run_for(11_000)

    _, image = play(script, planned(1, "PC"))
    assert any(isinstance(sample.reading, Number) for sample in samples(image, "PC"))


@pytest.mark.parametrize(
    ("fault", "reason", "kind"),
    [
        (NoAnswer("n"), Reason.NO_ANSWER, "NoAnswer"),
        (NotConnected("n"), Reason.NO_ANSWER, "NotConnected"),
        (InvalidReply("n"), Reason.INVALID_REPLY, "InvalidReply"),
        (Refused("n", 2), Reason.REFUSED, "Refused"),
        (Refused("gateway target", 11), Reason.NO_ANSWER, "Refused"),
    ],
)
def test_each_error_has_its_reason_and_its_count(fault: EdgeError, reason: Reason, kind: str) -> None:
    async def script(poller: Poller, line: Line, image: InputImage) -> None:
        line.faults[1] = fault
        await line.clock.run_for(900)
        assert [sample.reading for sample in samples(image, "X")] == [NoNumber(reason)]
        assert poller.statistics()[1].failed == {kind: 1}
        assert poller.statistics()[1].last_reply_ms is None

    play(script, planned(1, "X"))


def test_a_block_that_is_refused_is_asked_on_and_the_unit_stays_alive() -> None:
    async def script(poller: Poller, line: Line, __: InputImage) -> None:
        line.faults[1] = Refused("no such register", 2)
        await line.clock.run_for(60_100)
        assert not poller.statistics()[1].silent
        assert poller.statistics()[1].failed == {"Refused": 13}

    line, _ = play(script, planned(1, "X"))
    assert line.times(1) == list(range(0, 60_001, 5_000))


def test_overdue_polls_are_asked_once_and_the_grid_goes_on() -> None:
    async def script(_: Poller, line: Line, __: InputImage) -> None:
        await line.clock.run_for(12_000)
        line.clock.advance(100_000)
        await line.clock.run_for(20_000)

    line, _ = play(script, planned(1, "X"))
    assert line.times(1) == [0, 5_000, 10_000, 112_000, 115_000, 120_000, 125_000, 130_000]


def test_a_line_that_is_too_slow_serves_its_blocks_in_turn() -> None:
    line, _ = play(for_s(100), planned(1, "X"), planned(2, "Y"), planned(3, "Z"), reply_s=2.5)
    counts = [len(line.times(unit_id)) for unit_id in (1, 2, 3)]
    assert max(counts) - min(counts) <= 2
    assert sum(counts) >= 40


def test_hurried_tags_are_asked_at_once_and_then_fast_until_the_hurry_ends() -> None:
    async def script(poller: Poller, line: Line, __: InputImage) -> None:
        await line.clock.run_for(7_000)
        poller.hurry(frozenset({"ZSC", "SOMEWHERE-ELSE"}))
        await line.clock.run_for(4_000)
        poller.hurry(frozenset({"ZSC"}))
        await line.clock.run_for(1_500)
        poller.hurry(frozenset())
        await line.clock.run_for(10_000)

    line, _ = play(script, planned(7, "ZSC", hurried_s=1.0), planned(8, "LEVEL", hurried_s=1.0))
    hurried = [0, 5_000, 7_000, 8_000, 9_000, 10_000, 11_000, 12_000]
    assert all(0 <= at - due <= 100 for at, due in zip(line.times(7)[:8], hurried, strict=True))
    assert line.times(7)[8:] == [17_500, 22_500]
    assert all(abs(gap - 5_000) <= 100 for gap in gaps(line.times(8))), "not hurried, and hardly delayed"


def test_hurry_asks_a_silent_unit_at_once() -> None:
    async def script(poller: Poller, line: Line, __: InputImage) -> None:
        line.faults[7] = NoAnswer("dead")
        await line.clock.run_for(600_000)
        del line.faults[7]
        asked = len(line.times(7))
        poller.hurry(frozenset({"ZSC"}))
        await line.clock.run_for(100)
        assert len(line.times(7)) == asked + 1

    play(script, planned(7, "ZSC", hurried_s=1.0), planned(8, "X", interval_s=60.0))


def test_a_connection_that_cannot_be_opened_is_tried_again_later_and_later_up_to_a_ceiling() -> None:
    async def script(_: Poller, line: Line, image: InputImage) -> None:
        line.refuse_to_open = True
        await line.clock.run_for(300_000)
        attempts = gaps(line.opened)
        assert attempts[0] < 1_000
        assert max(attempts) <= 12_000
        assert sum(attempts[-10:]) / 10 > 4_000
        assert line.asked == []
        assert samples(image, "A")[-1].arrived.monotonic_ms > 294_000
        line.refuse_to_open = False
        await line.clock.run_for(13_000)
        assert {unit for _, unit in line.asked} == {1, 2}
        line.opened.clear()
        line.refuse_to_open = True
        await line.clock.run_for(7_000)
        assert gaps(line.opened)[0] < 1_000, "a good reply has reset the back-off"

    play(script, planned(1, "A"), planned(2, "B", interval_s=60.0))


def test_a_connection_that_opens_and_drops_every_request_does_not_reset_the_back_off() -> None:
    async def script(_: Poller, line: Line, __: InputImage) -> None:
        line.faults = {1: NotConnected("dropped"), 2: NotConnected("dropped")}
        await line.clock.run_for(120_000)

    line, _ = play(script, planned(1, "A", interval_s=1.0), planned(2, "B", interval_s=1.0))
    assert len([at for at, _ in line.asked if at > 60_000]) <= 60_000 / 8_000 + 1


def test_stopping_closes_the_connection() -> None:
    line, _ = play(for_s(1), planned(1, "A"))
    assert line.closed == 1


def test_a_tag_without_a_scaling_is_refused_by_name() -> None:
    clock: Clock = ManualClock()
    with pytest.raises(ValueError, match="no scaling for B"):
        Poller(
            connection=Line(clock=ManualClock()),
            blocks=[planned(1, "A", "B")],
            scalings={"A": Scaling()},
            image=InputImage(),
            clock=clock,
        )


def test_a_server_of_another_make_is_read_over_a_real_socket() -> None:
    bank = DataBank()
    bank.set_holding_registers(16, list(struct.unpack(">HH", struct.pack(">f", 0.71)))[::-1])
    with socket.create_server(("127.0.0.1", 0)) as free:
        port: int = free.getsockname()[1]
    server = ModbusServer(host="127.0.0.1", port=port, no_block=True, data_bank=bank)
    slot = Slot(tag="AIT-510", offset=0, count=2, encoding=Encoding("float32", "CDAB"))
    block = Block(unit_id=1, table=Table.HOLDING, address=16, count=2)

    async def run() -> list[Sample]:
        clock, image = SystemClock(), InputImage()
        poller = Poller(
            connection=ModbusConnection(
                "RI1", NetworkConnection.model_validate({"transport": "tcp", "host": "127.0.0.1", "port": port})
            ),
            blocks=[PlannedBlock(block=block, interval_ms=100, hurried_ms=100, slots=(slot,))],
            scalings={"AIT-510": Scaling(range_low=0.0, range_high=20.0)},
            image=image,
            clock=clock,
        )
        task = asyncio.ensure_future(poller.run())
        deadline_ms = clock.now().monotonic_ms + 10_000
        while poller.statistics()[1].answered < 3:
            assert clock.now().monotonic_ms < deadline_ms, poller.statistics()
            await clock.sleep(0.02)
        server.stop()
        while not poller.statistics()[1].failed:
            assert clock.now().monotonic_ms < deadline_ms + 10_000, poller.statistics()
            await clock.sleep(0.02)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return [arrival for arrival in image.take() if isinstance(arrival, Sample)]

    server.start()
    try:
        taken = asyncio.run(run())
    finally:
        server.stop()
    first = taken[0].reading
    assert isinstance(first, Number)
    assert first.value == pytest.approx(0.71)
    assert taken[-1].reading == NoNumber(Reason.NO_ANSWER)
