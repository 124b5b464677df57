"""What is written to the controller, in which order, and what is reported about it."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field, replace
from random import Random

import pytest

from gateway.core.outcome import Outcome
from gateway.core.output import OutputRule, Readback
from gateway.drivers.driver import Block, Table
from gateway.drivers.errors import EdgeError, NoAnswer, NotConnected, WriteForbidden
from gateway.field.actuation import Actuation, OutputBlock
from gateway.field.clock import ManualClock
from gateway.field.image import InputImage

PERMIT, STOP = 42_405, 13_107
BLOCK = Block(unit_id=1, table=Table.HOLDING, address=320, count=4)
OUTPUT_BLOCK = OutputBlock(
    block=BLOCK, registers=("GW-HB", "GW-PERMIT", "GW-FEED", "GW-DELIV"), heartbeat="GW-HB", period_s=5.0
)
STOP_CODES = {"idle": 0, "stop": STOP, "resume": PERMIT}
RULES = (
    OutputRule(
        id="product",
        register_tag="GW-PERMIT",
        codes={"permitted": PERMIT, "withdrawn": 0},
        safe_level="withdrawn",
        normal_level="permitted",
    ),
    OutputRule(
        id="feed", register_tag="GW-FEED", codes=STOP_CODES, safe_level="stop", normal_level="idle", permit=False
    ),
    OutputRule(
        id="supply", register_tag="GW-DELIV", codes=STOP_CODES, safe_level="stop", normal_level="idle", permit=False
    ),
)
WITHDRAWN = {"product": "withdrawn", "feed": "idle", "supply": "idle"}
PERMITTED = WITHDRAWN | {"product": "permitted"}
STOPPED = {"product": "withdrawn", "feed": "stop", "supply": "stop"}


@dataclass
class Controller:
    """Four registers behind a connection, and a log of what was done to them in plant milliseconds."""

    clock: ManualClock
    registers: list[int] = field(default_factory=lambda: [700, PERMIT, 0, 0])
    reply_s: float = 0.02
    fault: EdgeError | None = None
    write_fault: EdgeError | None = None
    stuck: bool = False  # acknowledges writes and keeps its registers
    is_open: bool = False
    under_way: str = ""
    log: list[tuple[int, str, tuple[int, ...]]] = field(default_factory=list)
    name: str = "PC1"

    async def open(self) -> None:
        if isinstance(self.fault, NotConnected):
            raise self.fault
        if not self.is_open:
            self.log.append((self.clock.now().monotonic_ms, "open", ()))
        self.is_open = True

    async def read(self, block: Block) -> tuple[int, ...]:
        assert self.is_open
        assert block == BLOCK
        await self._transfer("read")
        self._fail(self.fault)
        self._note("read")
        return tuple(self.registers)

    async def write(self, block: Block, values: Sequence[int]) -> None:
        assert self.is_open
        assert block == BLOCK
        await self._transfer("write")
        self._fail(self.write_fault or self.fault)
        if not self.stuck:
            self.registers = list(values)
        self.log.append((self.clock.now().monotonic_ms, "write", tuple(values)))

    async def close(self) -> None:
        self.is_open = False

    async def _transfer(self, what: str) -> None:
        self.under_way = what
        await self.clock.sleep(self.reply_s)
        self.under_way = ""

    def done(self) -> list[str]:
        return [what for _, what, _ in self.log]

    def writes(self) -> list[tuple[int, ...]]:
        return [values for _, what, values in self.log if what == "write"]

    def _note(self, what: str) -> None:
        self.log.append((self.clock.now().monotonic_ms, what, tuple(self.registers)))

    @staticmethod
    def _fail(fault: EdgeError | None) -> None:
        if fault is not None:
            raise fault


@dataclass
class Bench:
    """An actuation at its controller, with a clock the script moves and a scan it plays."""

    clock: ManualClock
    controller: Controller
    image: InputImage
    actuation: Actuation
    scan: int = 0
    writes: bool = True

    def decide(self, levels: dict[str, str]) -> int:
        self.scan += 1
        self.actuation.adopt(self.scan, Outcome(levels=levels, writes=self.writes))
        return self.scan

    async def scan_for(self, seconds: int, levels: dict[str, str]) -> None:
        """One committed scan a second."""
        for _ in range(seconds):
            self.actuation.committed(self.decide(levels))
            await self.clock.run_for(1_000)

    def readbacks(self) -> list[Readback]:
        return [arrival for arrival in self.image.take() if isinstance(arrival, Readback)]

    def forget(self) -> None:
        self.controller.log.clear()
        self.image.take()


def play(script: Callable[[Bench], Awaitable[None]], *, writing: bool = True) -> None:
    async def run() -> None:
        clock = ManualClock()
        controller, image = Controller(clock=clock), InputImage()
        actuation = Actuation(
            connection=controller,
            block=OUTPUT_BLOCK,
            outputs=RULES,
            image=image,
            clock=clock,
            writing=writing,
            random=Random(1),  # noqa: S311 - a run that repeats
        )
        task = asyncio.ensure_future(actuation.run())
        try:
            await script(Bench(clock, controller, image, actuation, writes=writing))
            if task.done():
                task.result()
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        assert not controller.is_open

    asyncio.run(run())


def test_the_first_write_withdraws_the_permission_and_leaves_stops_idle() -> None:
    async def script(bench: Bench) -> None:
        await bench.clock.run_for(1_000)
        assert bench.controller.done() == ["open", "read", "write", "read"]
        assert bench.controller.writes() == [(701, 0, 0, 0)]
        assert bench.readbacks() == [
            Readback(codes={"product": PERMIT, "feed": 0, "supply": 0}),
            Readback(
                codes={"product": 0, "feed": 0, "supply": 0},
                written={"product": 0, "feed": 0, "supply": 0},
                confirmed=WITHDRAWN,
            ),
        ]

    play(script)


# --- commissioning ------------------------------------------------------------------------------------------------


def test_while_observing_the_block_is_read_every_period_and_never_written() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(16, STOPPED)
        assert bench.controller.done() == ["open"] + ["read"] * 4
        assert [at for at, what, _ in bench.controller.log if what == "read"] == [20, 5_020, 10_020, 15_020]
        assert bench.readbacks() == [Readback(codes={"product": PERMIT, "feed": 0, "supply": 0})] * 4
        assert bench.actuation.registers == {"GW-HB": 700, "GW-PERMIT": PERMIT, "GW-FEED": 0, "GW-DELIV": 0}

    play(script, writing=False)


def test_while_observing_not_even_a_start_or_a_stop_of_the_process_writes() -> None:
    async def script(bench: Bench) -> None:
        await bench.clock.run_for(1_000)
        assert await bench.actuation.stop(5.0)
        assert not bench.controller.is_open
        assert bench.controller.writes() == []

    play(script, writing=False)


def test_while_observing_a_controller_that_does_not_answer_is_tried_again_with_back_off() -> None:
    async def script(bench: Bench) -> None:
        bench.controller.fault = NoAnswer("silent")
        await bench.clock.run_for(3_000)
        failed = bench.actuation.statistics().failed
        bench.controller.fault = None
        await bench.clock.run_for(6_000)
        assert failed > 1
        assert bench.actuation.statistics().failed == failed
        assert bench.readbacks()
        assert bench.controller.writes() == []

    play(script, writing=False)


def test_writing_begins_when_the_journal_holds_the_commissioning_and_not_before() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, WITHDRAWN)
        bench.writes = True
        commissioned = bench.decide(STOPPED)
        await bench.clock.run_for(1_000)
        for _ in range(8):  # the disk is stuck: scans go on, nothing is committed
            bench.decide(STOPPED)
            await bench.clock.run_for(1_000)
        assert bench.controller.writes() == []
        bench.actuation.committed(commissioned - 1)
        await bench.clock.run_for(1_000)
        assert bench.controller.writes() == []
        bench.forget()
        bench.actuation.committed(commissioned)
        await bench.clock.run_for(1_000)
        assert bench.controller.done() == ["read", "write", "read"]
        assert bench.controller.writes() == [(701, 0, STOP, STOP)]
        baseline = bench.readbacks()[0]
        assert (baseline.written, baseline.confirmed) == ({}, {})

    play(script, writing=False)


def test_a_commissioning_taken_back_before_it_is_recorded_writes_nothing() -> None:
    async def script(bench: Bench) -> None:
        bench.writes = True
        commissioned = bench.decide(WITHDRAWN)
        bench.writes = False
        bench.decide(WITHDRAWN)
        bench.actuation.committed(commissioned)
        await bench.scan_for(20, WITHDRAWN)
        assert bench.controller.writes() == []

    play(script, writing=False)


def test_going_back_to_observing_writes_the_permits_safe_at_once_and_then_nothing_more() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(6, PERMITTED)
        assert bench.controller.registers[1] == PERMIT
        bench.forget()
        bench.writes = False
        bench.decide(WITHDRAWN)  # not committed: towards safe nothing waits
        await bench.clock.run_for(500)
        (last,) = bench.controller.writes()
        assert last[1:] == (0, 0, 0)
        await bench.scan_for(30, WITHDRAWN)
        assert bench.controller.writes() == [last]
        assert bench.controller.done()[-1] == "read"
        assert all(one.written == {} for one in bench.readbacks()[-3:])

    play(script)


@pytest.mark.parametrize(("held", "left"), [("stop", STOP), ("resume", 0), ("idle", 0)])
def test_going_back_to_observing_leaves_a_stop_and_takes_a_resume_code_back(held: str, left: int) -> None:
    async def script(bench: Bench) -> None:
        bench.actuation = resumable(bench)
        levels = WITHDRAWN | {"feed": held}
        task = asyncio.ensure_future(bench.actuation.run())
        await bench.scan_for(6, levels)
        bench.writes = False
        await bench.scan_for(20, WITHDRAWN | {"feed": "stop" if held == "stop" else "idle"})
        assert bench.controller.registers[1:] == [0, left, 0]
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    play(script, writing=False)


def resumable(bench: Bench) -> Actuation:
    """An actuation of its own at the same controller, whose stops have a resume level."""
    rules = (RULES[0], *(replace(rule, resume_level="resume", resume_ms=15_000) for rule in RULES[1:]))
    bench.writes = True
    return Actuation(
        connection=bench.controller,
        block=OUTPUT_BLOCK,
        outputs=rules,
        image=bench.image,
        clock=bench.clock,
        writing=True,
        random=Random(1),  # noqa: S311 - a run that repeats
    )


def test_a_controller_that_cannot_be_reached_is_written_safe_for_ten_seconds_and_then_left_alone() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(6, PERMITTED)
        bench.controller.fault = NoAnswer("silent")
        bench.writes = False
        await bench.scan_for(16, WITHDRAWN)
        bench.controller.fault = None
        bench.forget()
        await bench.scan_for(30, WITHDRAWN)
        assert bench.controller.writes() == []
        assert bench.controller.registers[1] == PERMIT  # its own watch on the heartbeat has diverted long since

    play(script)


def test_a_controller_that_comes_back_in_time_is_still_written_safe() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(6, PERMITTED)
        bench.controller.fault = NoAnswer("silent")
        bench.writes = False
        await bench.scan_for(3, WITHDRAWN)
        bench.controller.fault = None
        bench.forget()
        await bench.scan_for(30, WITHDRAWN)
        (last,) = bench.controller.writes()
        assert last[1:] == (0, 0, 0)

    play(script)


def test_commissioned_again_it_writes_again() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(6, PERMITTED)
        bench.writes = False
        await bench.scan_for(6, WITHDRAWN)
        bench.forget()
        bench.writes = True
        await bench.scan_for(11, WITHDRAWN)
        assert len(bench.controller.writes()) >= 2
        assert bench.controller.registers[1] == 0

    play(script)


# --- writing ------------------------------------------------------------------------------------------------------


def test_a_stop_decided_before_the_first_write_is_in_it() -> None:
    async def script(bench: Bench) -> None:
        bench.decide(STOPPED)
        await bench.clock.run_for(1_000)
        assert bench.controller.writes()[0] == (701, 0, STOP, STOP)

    play(script)


def test_every_period_the_block_is_read_and_then_written_with_the_heartbeat_raised() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(16, WITHDRAWN)
        assert bench.controller.done() == ["open", "read", "write", "read"] + ["read", "write"] * 3
        assert [values[0] for values in bench.controller.writes()] == [701, 702, 703, 704]
        assert [at for at, what, _ in bench.controller.log if what == "write"] == [40, 5_040, 10_040, 15_040]

    play(script)


def test_the_heartbeat_rolls_over_after_65535() -> None:
    async def script(bench: Bench) -> None:
        bench.controller.registers[0] = 65_534
        await bench.scan_for(6, WITHDRAWN)
        assert [values[0] for values in bench.controller.writes()] == [65_535, 0]

    play(script)


def test_a_level_away_from_safe_waits_for_the_commit_of_the_scan_that_decided_it() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(1, WITHDRAWN)
        deciding = bench.decide(PERMITTED)
        await bench.clock.run_for(1_000)
        bench.decide(PERMITTED)
        bench.actuation.committed(deciding - 1)
        await bench.clock.run_for(5_000)
        assert all(values[1] == 0 for values in bench.controller.writes())
        assert bench.actuation.held["product"] == "withdrawn"
        bench.forget()
        bench.actuation.committed(deciding)
        await bench.clock.run_for(100)
        assert bench.controller.done() == ["read", "write", "read"]
        assert bench.controller.registers[1] == PERMIT
        assert bench.readbacks()[-1].confirmed["product"] == "permitted"

    play(script)


def test_a_commit_that_comes_before_the_levels_counts() -> None:
    async def script(bench: Bench) -> None:
        bench.actuation.committed(1)
        bench.decide(PERMITTED)
        await bench.clock.run_for(100)
        assert bench.controller.registers[1] == PERMIT

    play(script)


def test_a_permission_decided_and_withdrawn_again_before_the_commit_never_goes_out() -> None:
    async def script(bench: Bench) -> None:
        deciding = bench.decide(PERMITTED)
        await bench.clock.run_for(1_000)
        later = bench.decide(WITHDRAWN)
        bench.actuation.committed(deciding)
        bench.actuation.committed(later)
        await bench.clock.run_for(10_000)
        assert all(values[1] == 0 for values in bench.controller.writes())

    play(script)


def test_a_level_towards_safe_goes_out_at_once_uncommitted_and_is_read_back() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.forget()
        began_ms = bench.clock.now().monotonic_ms
        bench.decide(STOPPED)
        await bench.clock.run_for(60)
        assert [(what, at - began_ms) for at, what, _ in bench.controller.log] == [
            ("read", 20),
            ("write", 40),
            ("read", 60),
        ]
        assert bench.controller.registers[1:] == [0, STOP, STOP]
        statistics = bench.actuation.statistics()
        assert (statistics.last_latency_ms, statistics.worst_latency_ms) == (40, 40)

    play(script)


@pytest.mark.parametrize("under_way", ["read", "write"])
def test_a_trip_while_a_turn_is_under_way_is_in_its_write_or_follows_at_once(under_way: str) -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        while bench.controller.under_way != under_way:
            await bench.clock.run_for(5)
        bench.decide(WITHDRAWN)
        await bench.clock.run_for(80)
        assert bench.controller.registers[1] == 0

    play(script)


def test_a_foreign_value_is_shown_to_the_scan_before_anything_is_written_over_it() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.forget()
        bench.controller.registers[1] = 0
        while "read" not in bench.controller.done():
            await bench.clock.run_for(10)
        await bench.clock.run_for(500)
        assert bench.controller.done() == ["read"]
        assert bench.readbacks() == [
            Readback(
                codes={"product": 0, "feed": 0, "supply": 0},
                written={"product": PERMIT, "feed": 0, "supply": 0},
                confirmed={"feed": "idle", "supply": "idle"},
            )
        ]
        bench.decide(WITHDRAWN)
        await bench.clock.run_for(100)
        assert bench.controller.writes()[-1][1] == 0

    play(script)


def test_a_foreign_permission_is_not_left_standing_when_the_scan_keeps_to_withdrawn() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, WITHDRAWN)
        bench.controller.registers[1] = PERMIT
        await bench.scan_for(6, WITHDRAWN)
        assert bench.controller.registers[1] == 0

    play(script)


def test_a_trip_does_not_wait_because_of_a_foreign_value() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.controller.registers[2] = PERMIT
        bench.decide(WITHDRAWN)
        await bench.clock.run_for(60)
        assert bench.controller.registers[1:] == [0, 0, 0]
        assert any(readback.codes["feed"] == PERMIT for readback in bench.readbacks())

    play(script)


def test_what_does_not_read_back_is_written_again_each_scan() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.controller.stuck = True
        bench.forget()
        await bench.scan_for(4, WITHDRAWN)
        assert len(bench.controller.writes()) >= 4
        assert all("product" not in readback.confirmed for readback in bench.readbacks()[1:])
        bench.controller.stuck = False
        await bench.scan_for(2, WITHDRAWN)
        assert bench.controller.registers[1] == 0
        assert bench.readbacks()[-1].confirmed["product"] == "withdrawn"

    play(script)


def test_the_heartbeat_stands_still_when_no_scan_decides_and_goes_on_when_one_does() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        await bench.clock.run_for(60_000)
        last_ms = max(at for at, what, _ in bench.controller.log if what == "write")
        assert last_ms <= 3_000 + 10_100
        bench.forget()
        await bench.scan_for(6, PERMITTED)
        assert bench.controller.writes() != []

    play(script)


def test_after_a_lost_connection_the_heartbeat_goes_on_from_what_is_read() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.controller.fault = NotConnected("cable pulled")
        await bench.scan_for(12, PERMITTED)
        assert not bench.controller.is_open
        bench.controller.fault = None
        bench.controller.registers = [4_000, PERMIT, 0, 0]
        bench.forget()
        await bench.scan_for(7, PERMITTED)
        assert bench.controller.done()[:3] == ["open", "read", "write"]
        assert bench.controller.writes()[0] == (4_001, PERMIT, 0, 0)
        held = {"product": PERMIT, "feed": 0, "supply": 0}
        assert bench.readbacks()[0] == Readback(codes=held, written=held, confirmed=PERMITTED)

    play(script)


def test_what_somebody_wrote_during_an_outage_is_shown_before_anything_is_written_over_it() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.controller.fault = NotConnected("cable pulled")
        await bench.scan_for(12, PERMITTED)
        bench.controller.fault = None
        bench.controller.registers = [4_000, 7, 0, 0]
        bench.forget()
        await bench.clock.run_for(6_000)
        assert bench.controller.writes() == []
        first = bench.readbacks()[0]
        assert (first.codes["product"], first.written["product"]) == (7, PERMIT)
        assert "product" not in first.confirmed
        await bench.scan_for(1, WITHDRAWN)
        assert bench.controller.registers[1] == 0

    play(script)


def test_a_write_that_arrived_and_was_not_acknowledged_is_not_taken_for_somebody_elses() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.controller.write_fault = NoAnswer("its answer is lost")
        bench.decide(WITHDRAWN)
        await bench.clock.run_for(100)
        bench.controller.registers[1] = 0  # it has arrived
        bench.controller.write_fault = None
        bench.forget()
        await bench.clock.run_for(400)
        first = bench.readbacks()[0]
        assert first.written == first.codes == {"product": 0, "feed": 0, "supply": 0}
        assert bench.controller.registers[1] == 0

    play(script)


def test_a_controller_that_restarted_during_an_outage_reads_blank_beside_what_was_written() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.controller.fault = NotConnected("power lost")
        await bench.scan_for(12, PERMITTED)
        bench.controller.fault = None
        bench.controller.registers = [0, 0, 0, 0]
        bench.forget()
        await bench.scan_for(7, PERMITTED)
        first = bench.readbacks()[0]
        assert (first.blank, first.written["product"]) == (True, PERMIT)

    play(script)


def test_retries_after_an_error_are_spaced_up_to_a_ceiling() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(1, WITHDRAWN)
        bench.controller.fault = NoAnswer("silent")
        bench.forget()
        await bench.scan_for(60, WITHDRAWN)
        opened = [at for at, what, _ in bench.controller.log if what == "open"]
        assert opened[1] - opened[0] < 1_000
        assert 10 <= len(opened) <= 25
        assert bench.actuation.statistics().failed == len(opened) + 1

    play(script)


def test_a_trip_does_not_wait_for_the_back_off() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.controller.fault = NotConnected("cable pulled")
        await bench.scan_for(60, PERMITTED)
        bench.controller.fault = None
        bench.decide(WITHDRAWN)
        await bench.clock.run_for(60)
        assert bench.controller.registers[1] == 0

    play(script)


def test_a_trip_whose_write_fails_is_written_on_the_next_connection() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.controller.write_fault = NoAnswer("lost")
        bench.decide(WITHDRAWN)
        await bench.clock.run_for(100)
        assert bench.controller.registers[1] == PERMIT
        bench.controller.write_fault = None
        await bench.clock.run_for(400)
        assert bench.controller.registers[1] == 0
        assert bench.actuation.statistics().last_latency_ms >= 200

    play(script)


def test_stopping_withdraws_the_permission_and_proves_it() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        stop = asyncio.ensure_future(bench.actuation.stop(5.0))
        await asyncio.sleep(0)
        bench.actuation.committed(bench.scan + 1)
        bench.decide(PERMITTED)
        await bench.clock.run_for(200)
        assert await stop
        assert bench.controller.registers[1:] == [0, 0, 0]
        assert not bench.controller.is_open
        bench.forget()
        bench.decide(PERMITTED)
        bench.actuation.committed(bench.scan)
        await bench.clock.run_for(10_000)
        assert bench.controller.log == []

    play(script)


def test_stopping_leaves_a_stop_as_it_stands() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, STOPPED)
        stop = asyncio.ensure_future(bench.actuation.stop(5.0))
        await bench.clock.run_for(200)
        assert await stop
        assert bench.controller.registers[1:] == [0, STOP, STOP]

    play(script)


def test_stopping_tries_again_on_an_error_and_no_scan_gives_the_permission_back_meanwhile() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.controller.fault = NotConnected("cable pulled")
        stop = asyncio.ensure_future(bench.actuation.stop(5.0))
        await bench.clock.run_for(600)
        assert not stop.done()
        bench.actuation.committed(bench.scan + 1)
        bench.decide(PERMITTED)
        bench.controller.fault = None
        await bench.clock.run_for(1_000)
        assert await stop

    play(script)


def test_stopping_at_a_controller_that_does_not_obey_is_not_proven_and_ends_in_time() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(3, PERMITTED)
        bench.controller.stuck = True
        stop = asyncio.ensure_future(bench.actuation.stop(0.2))
        await bench.clock.run_for(1_000)
        assert await asyncio.wait_for(stop, timeout=5) is False

    play(script)


def test_an_undeclared_block_is_a_fault_of_ours_and_ends_the_task() -> None:
    async def script(bench: Bench) -> None:
        bench.controller.write_fault = WriteForbidden("not declared")
        await bench.clock.run_for(1_000)

    with pytest.raises(WriteForbidden):
        play(script)


def test_an_unknown_level_is_refused_and_nothing_of_it_is_taken_over() -> None:
    async def script(bench: Bench) -> None:
        await bench.scan_for(1, PERMITTED)
        with pytest.raises(KeyError):
            bench.decide({"product": "withdrawn", "feed": "sideways", "supply": "idle"})
        assert bench.actuation.held == PERMITTED

    play(script)


def test_registers_that_belong_to_no_output_are_refused() -> None:
    clock = ManualClock()
    with pytest.raises(ValueError, match="one register for each output"):
        Actuation(
            connection=Controller(clock=clock),
            block=OUTPUT_BLOCK,
            outputs=RULES[:2],
            image=InputImage(),
            clock=clock,
        )
