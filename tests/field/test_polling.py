"""When each block is asked: a scripted line on a manual clock, and once a real Modbus server of another make."""

import asyncio
import math
import socket
import struct
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from random import Random
from types import MappingProxyType

import pytest
from pyModbusTCP.server import DataBank, ModbusServer

from gateway.configuration.poll_plan import PlannedBlock, Slot
from gateway.configuration.response import ASKED_AGAIN_S
from gateway.configuration.schema import NetworkConnection
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number, Sample
from gateway.core.scaling import Scaling
from gateway.drivers.driver import Block, Table
from gateway.drivers.errors import EdgeError, InvalidReply, NoAnswer, NotConnected, Refused
from gateway.drivers.modbus.connection import ModbusConnection
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
    lose_blocks: set[str] = field(default_factory=set)  # first tags of blocks that are never answered
    refuse_to_open: bool = False
    asked: list[tuple[int, int]] = field(default_factory=list)  # plant ms, unit
    opened: list[int] = field(default_factory=list)  # plant ms of every attempt
    closed: int = 0
    busy: bool = False
    name: str = "LINE"
    connects: int = 1
    last_reply_s: float = 0.0
    reconnect_within_request: bool = False
    plan: dict[tuple[int, int], str] = field(default_factory=dict)  # unit and address to the first tag of the block
    names: list[str] = field(default_factory=list)  # first tags of the blocks asked, in order

    async def open(self) -> None:
        if self.refuse_to_open:
            self.opened.append(self.clock.now().monotonic_ms)
            raise NotConnected("LINE: refused")

    async def read(self, block: Block) -> tuple[int, ...]:
        assert not self.busy, "two requests in flight on one connection"
        self.busy = True
        try:
            self.asked.append((self.clock.now().monotonic_ms, block.unit_id))
            self.names.append(self.plan.get((block.unit_id, block.address), ""))
            if self.reconnect_within_request:
                self.reconnect_within_request, self.connects = False, self.connects + 1
            lost = self.names[-1] in self.lose_blocks
            await self._answer(block.unit_id, NoAnswer("lost") if lost else self.faults.get(block.unit_id))
        finally:
            self.busy = False
        return tuple(range(block.count))

    async def write(self, block: Block, values: Sequence[int]) -> None:
        raise AssertionError(f"polling wrote {values} to {block}")

    async def close(self) -> None:
        self.closed += 1

    async def _answer(self, unit_id: int, fault: EdgeError | None) -> None:
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
        block=Block(unit_id=unit_id, table=Table.HOLDING, address=100 * ord(tags[0][0]), count=len(tags)),
        interval_ms=interval_ms,
        hurried_ms=interval_ms if hurried_s is None else round(hurried_s * 1_000),
        slots=tuple(Slot(tag=tag, offset=n, count=1, type="uint16") for n, tag in enumerate(tags)),
    )


Script = Callable[[Poller, Line, InputImage], Awaitable[None]]


def play(
    script: Script,
    *blocks: PlannedBlock,
    reply_s: float = 0.05,
    constants: Mapping[int, str] = MappingProxyType({}),
    pauses: Mapping[int, float] = MappingProxyType({}),
) -> tuple[Line, InputImage]:
    """Run a poller of these blocks under a script that moves the clock."""

    async def run() -> tuple[Line, InputImage]:
        clock = ManualClock()
        line, image = Line(clock=clock, reply_s=reply_s), InputImage()
        line.plan = {(block.block.unit_id, block.block.address): block.tags[0] for block in blocks}
        scalings = {tag: Scaling() for block in blocks for tag in block.tags}
        poller = Poller(
            connection=line,
            blocks=blocks,
            scalings=scalings,
            image=image,
            clock=clock,
            constants=constants,
            pauses=pauses,
            random=Random(1),  # noqa: S311 - a run that repeats
        )
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
    slot = Slot(tag="F", offset=0, count=2, type="float32")
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
    assert sorted(seen, key=str) == [("LOST", Number), ("OTHER", Number)], "the other block was put off, not failed"
    assert line.times(12)[1] <= 800 + 1_200


def test_one_lost_reply_among_good_ones_leaves_no_trace_but_in_the_statistics() -> None:
    """On a serial line it happens every few hours; three intervals are what a reading may be old."""

    async def script(poller: Poller, line: Line, image: InputImage) -> None:
        await line.clock.run_for(60_500)
        line.lose_once.add(12)
        await line.clock.run_for(60_000)
        assert poller.statistics()[12].failed == {"NoAnswer": 1}
        readings = samples(image, "A")
        assert {type(one.reading) for one in readings} == {Number}
        ages = gaps([one.arrived.monotonic_ms for one in readings])
        assert 5_000 < max(ages) <= 5_000 + 800 + 1_200 + 50 < 15_000
        assert set(ages[-5:]) == {5_000}, "on its grid again"

    play(script, planned(12, "A"), planned(11, "OTHER"))


def test_two_lost_replies_in_a_row_are_bad_within_a_second_and_a_time_out() -> None:
    async def script(_: Poller, line: Line, image: InputImage) -> None:
        await line.clock.run_for(60_500)
        line.faults[12] = NoAnswer("dead")
        image.take()
        await line.clock.run_for(10_000)
        first_bad = next(one for one in samples(image, "A") if isinstance(one.reading, NoNumber))
        first_lost_ms = next(at for at in line.times(12) if at > 60_500) + 800
        assert first_lost_ms < first_bad.arrived.monotonic_ms <= first_lost_ms + 1_000 * ASKED_AGAIN_S + 800

    play(script, planned(12, "A"), planned(11, "OTHER"))


def test_a_block_that_is_never_answered_is_bad_however_well_the_other_blocks_of_its_unit_answer() -> None:
    async def script(_: Poller, line: Line, image: InputImage) -> None:
        await line.clock.run_for(60_500)
        line.lose_blocks.add("DEAF")
        image.take()
        await line.clock.run_for(60_000)
        readings = samples(image, "DEAF")
        assert {type(one.reading) for one in readings} == {NoNumber}
        times = [one.arrived.monotonic_ms for one in readings]
        assert times[0] < 60_500 + 5_000 + 800 + 1_200 + 800 + 100
        assert max(gaps(times)) <= 5_000 + 1_200 + 800, "it goes on failing at its own pace"

    play(script, planned(12, "DEAF"), planned(12, "WELL", interval_s=1.0))


def test_a_unit_that_has_never_answered_has_no_value_from_its_second_failure_on() -> None:
    async def script(_: Poller, line: Line, image: InputImage) -> None:
        line.faults[12] = NoAnswer("dead")
        await line.clock.run_for(1_500)
        assert samples(image, "A") == [], "until then nothing is known of it"
        await line.clock.run_for(1_400)
        assert [one.reading for one in samples(image, "A")] == [NoNumber(Reason.NO_ANSWER)]

    play(script, planned(12, "A"))


def test_a_connection_that_cannot_be_opened_is_bad_at_once() -> None:
    async def script(_: Poller, line: Line, image: InputImage) -> None:
        line.refuse_to_open = True
        await line.clock.run_for(100)
        assert [one.reading for one in samples(image, "A")] == [NoNumber(Reason.NO_ANSWER)]

    play(script, planned(12, "A"))


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
    ("fault", "reason", "kind", "first"),
    [
        (NoAnswer("n"), Reason.NO_ANSWER, "NoAnswer", 2),
        (NotConnected("n"), Reason.NO_ANSWER, "NotConnected", 2),
        (InvalidReply("n"), Reason.INVALID_REPLY, "InvalidReply", 2),
        (Refused("n", 2), Reason.REFUSED, "Refused", 1),
        (Refused("gateway target", 10), Reason.NO_ANSWER, "Refused", 2),
        (Refused("gateway target", 11), Reason.NO_ANSWER, "Refused", 2),
    ],
)
def test_each_error_has_its_count_and_its_reason_once_it_is_sure(
    fault: EdgeError, reason: Reason, kind: str, first: int
) -> None:
    async def script(poller: Poller, line: Line, image: InputImage) -> None:
        line.faults[1] = fault
        for failures in range(1, first + 1):
            assert samples(image, "X") == []
            while sum(poller.statistics()[1].failed.values()) < failures:
                await line.clock.run_for(50)
        assert [sample.reading for sample in samples(image, "X")] == [NoNumber(reason)]
        assert poller.statistics()[1].failed == {kind: first}
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


def test_of_blocks_that_are_due_together_the_faster_ones_go_first() -> None:
    line, _ = play(for_s(61), planned(1, "SLOW", interval_s=60), planned(2, "FAST", interval_s=5))
    assert line.names[-2:] == ["FAST", "SLOW"]


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


# --- test constants and pauses ------------------------------------------------------------------------------------


def test_the_block_with_the_test_constant_is_asked_before_any_other_of_its_unit() -> None:
    async def script(_: Poller, line: Line, __: InputImage) -> None:
        await line.clock.run_for(9_000)

    line, _ = play(script, planned(1, "A"), planned(1, "B"), planned(1, "TEST", interval_s=600), constants={1: "TEST"})
    assert line.names[:3] == ["TEST", "A", "B"]
    assert line.names[3:] == ["A", "B"]  # on their own grid afterwards


def test_every_new_connection_proves_the_constant_again_and_only_of_units_that_have_one() -> None:
    async def script(_: Poller, line: Line, __: InputImage) -> None:
        await line.clock.run_for(12_000)
        line.names.clear()
        line.connects += 1  # the peer hung up between two polls, and the connection was made again
        await line.clock.run_for(5_000)
        assert [name for name in line.names if name != "C"] == ["TEST", "A", "B"]
        assert line.names.count("C") == 1

    blocks = (planned(1, "A"), planned(1, "B"), planned(1, "TEST", interval_s=600), planned(2, "C"))
    play(script, *blocks, constants={1: "TEST"})


def test_a_reply_that_came_over_a_new_connection_before_the_constant_is_not_taken() -> None:
    async def script(_: Poller, line: Line, image: InputImage) -> None:
        await line.clock.run_for(6_000)
        image.take()
        line.reconnect_within_request = True
        line.names.clear()
        await line.clock.run_for(4_040)
        assert line.names == ["A"]
        await line.clock.run_for(20)
        assert samples(image, "A") == []
        await line.clock.run_for(500)
        assert line.names == ["A", "TEST", "A"]

    play(script, planned(1, "A"), planned(1, "TEST", interval_s=600), constants={1: "TEST"})


def test_until_the_constant_has_been_read_the_other_blocks_wait_and_do_not_fail() -> None:
    async def script(_: Poller, line: Line, image: InputImage) -> None:
        line.lose_once.add(1)
        await line.clock.run_for(900)  # the constant's first request has failed, its second is to come
        assert set(line.names) == {"TEST"}
        assert samples(image, "A") == []
        await line.clock.run_for(1_500)
        assert line.names[:3] == ["TEST", "TEST", "A"]
        assert [one.reading for one in samples(image, "A")] == [Number(0.0)]

    play(script, planned(1, "A"), planned(1, "TEST", interval_s=600), constants={1: "TEST"})


def test_a_refused_constant_keeps_the_other_blocks_waiting_and_disturbs_no_other_unit() -> None:
    async def script(_: Poller, line: Line, image: InputImage) -> None:
        line.faults[1] = Refused("no such register", 2)
        await line.clock.run_for(60_000)
        assert set(line.names) == {"TEST", "C"}
        assert line.names.count("C") == 12
        assert samples(image, "A") == []

    play(script, planned(1, "A"), planned(1, "TEST"), planned(2, "C"), constants={1: "TEST"})


def test_a_unit_that_was_silent_proves_its_constant_before_anything_else() -> None:
    async def script(_: Poller, line: Line, image: InputImage) -> None:
        await line.clock.run_for(6_000)
        line.faults[1] = NoAnswer("dead")
        await line.clock.run_for(30_000)
        failing = [one.reading for one in samples(image, "A")]
        assert failing[-1] == NoNumber(Reason.NO_ANSWER)  # told at its own pace, not left to become stale
        line.names.clear()
        await line.clock.run_for(40_000)
        assert set(line.names) <= {"TEST", "C"}
        del line.faults[1]
        line.names.clear()
        await line.clock.run_for(45_000)
        of_unit = [name for name in line.names if name != "C"]
        assert of_unit[:2] == ["TEST", "A"]
        assert of_unit.count("A") > 3

    play(script, planned(1, "A"), planned(1, "TEST", interval_s=600), planned(2, "C"), constants={1: "TEST"})


def test_however_busy_its_line_is_a_silent_unit_is_only_asked_for_its_constant() -> None:
    async def script(_: Poller, line: Line, __: InputImage) -> None:
        line.faults[1] = NoAnswer("dead")
        await line.clock.run_for(200_000)
        of_unit = [name for name in line.names if name != "C"]
        assert len(of_unit) > 4
        assert set(of_unit) == {"TEST"}

    busy = planned(2, "C", interval_s=0.5)  # there is never room for a time-out of 0.8 s between its requests
    play(script, planned(1, "A", interval_s=1), planned(1, "TEST", interval_s=600), busy, constants={1: "TEST"})


def test_a_unit_that_falls_silent_after_a_good_start_is_only_asked_for_its_constant() -> None:
    async def script(_: Poller, line: Line, __: InputImage) -> None:
        await line.clock.run_for(3_000)
        line.faults[1] = NoAnswer("dead")
        await line.clock.run_for(10_000)
        line.names.clear()
        await line.clock.run_for(200_000)
        of_unit = [name for name in line.names if name != "C"]
        assert len(of_unit) > 2
        assert set(of_unit) == {"TEST"}

    busy = planned(2, "C", interval_s=0.5)
    play(script, planned(1, "A", interval_s=1), planned(1, "TEST", interval_s=600), busy, constants={1: "TEST"})


def test_hurry_for_a_silent_unit_asks_its_constant_at_once() -> None:
    async def script(poller: Poller, line: Line, __: InputImage) -> None:
        line.faults[1] = NoAnswer("dead")
        await line.clock.run_for(60_000)
        del line.faults[1]
        line.names.clear()
        poller.hurry(frozenset({"A"}))
        await line.clock.run_for(200)
        assert line.names[:2] == ["TEST", "A"]

    play(script, planned(1, "A", hurried_s=1.0), planned(1, "TEST", interval_s=600), constants={1: "TEST"})


def test_a_constant_that_no_block_of_its_unit_reads_is_refused() -> None:
    with pytest.raises(ValueError, match="no block of unit 1 reads TEST"):
        play(for_s(1), planned(1, "A"), planned(2, "TEST"), constants={1: "TEST"})


def test_a_unit_that_needs_silence_gets_it_and_lets_the_others_go_first() -> None:
    async def script(_: Poller, line: Line, __: InputImage) -> None:
        await line.clock.run_for(4_900)
        assert [unit for _, unit in line.asked] == [2, 3, 1, 1]
        ended_ms = [at + 50 for at, _ in line.asked]
        starts_ms = [at for at, _ in line.asked]
        assert starts_ms[:2] == [0, 50]
        assert starts_ms[2] - ended_ms[1] == 400
        assert starts_ms[3] - ended_ms[2] == 400

    play(script, planned(1, "A"), planned(1, "B"), planned(2, "C"), planned(3, "D"), pauses={1: 0.4})


def test_silence_that_the_line_has_had_already_is_not_waited_for_again() -> None:
    line, _ = play(for_s(21), planned(1, "A"), planned(2, "C", interval_s=7), pauses={1: 0.4})
    assert gaps(line.times(1))[1:] == [5_000] * 3
    assert set(gaps(line.times(2))) == {7_000}


# --- the end ------------------------------------------------------------------------------------------------------


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
    slot = Slot(tag="AIT-510", offset=0, count=2, type="float32", byte_order="CDAB")
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
        while sum(poller.statistics()[1].failed.values()) < 2:
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
