"""A scan acts before it records, and what is not recorded gives nothing back: with a real recorder and a controller."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from gateway.core.outcome import Event, EventKind, Outcome
from gateway.core.request import Action, Answer, Request
from gateway.core.sample import Number
from gateway.core.state import ScanState, rules_of
from gateway.core.tick import Tick
from gateway.field.answering import AnswerDesk
from gateway.field.clock import ManualClock
from gateway.field.image import InputImage, Numbered, Placed
from gateway.field.polling import Poller
from gateway.field.scanning import Scanner
from gateway.local.messages import JournalEntry
from tests.core.plants import GOOD_GRAB, OPERATOR, PERMIT, PLANT, UTC_MS
from tests.core.plants import Bench as Decisions
from tests.field.fieldbench import WAIT_S, Controller, Disk, actuation_on, recorder_on, until


class Hurried(Poller):
    """A poller that only listens to what it is to hurry."""

    def __init__(self, log: list[str]) -> None:
        self._log = log
        self.hurried: list[frozenset[str]] = []

    def hurry(self, tags: frozenset[str]) -> None:
        self._log.append("hurry")
        self.hurried.append(tags)


class Bench:
    """A delivering plant behind a real store, a recorder, an actuation and a controller."""

    def __init__(self, disk: Disk, state: ScanState) -> None:
        self.disk = disk
        self.decisions = Decisions(state=state)  # for its samples
        self.clock = ManualClock(monotonic_ms=state.tick.monotonic_ms, utc_ms=state.tick.utc_ms)
        self.image = InputImage()
        self.desk = AnswerDesk(self.image, writable=lambda: True, patience_s=WAIT_S)
        self.controller = Controller(registers=[700, PERMIT, 0, 0])
        self.actuation = actuation_on(self.controller, self.image, self.clock)
        self.recorder = recorder_on(disk, self.clock, self._committed)
        self.log: list[str] = []
        self.poller = Hurried(self.log)
        self.scanner = Scanner(
            rules=rules_of(PLANT),
            state=state,
            beginnings=[Event(kind=EventKind.START)],
            image=self.image,
            clock=self.clock,
            period_ms=1_000,
            actuation=self.actuation,
            pollers=[self.poller],
            recorder=self.recorder,
            tell=self._tell,
            answer=self._answered,
        )
        self.told: list[tuple[ScanState, Outcome, Sequence[JournalEntry]]] = []
        self._listen_to_order()

    def _listen_to_order(self) -> None:
        adopt, note = self.actuation.adopt, self.recorder.note

        def adopt_aloud(scan: int, outcome: Outcome) -> None:
            self.log.append("act")
            adopt(scan, outcome)

        def note_aloud(
            state: ScanState, taken: Sequence[Numbered], events: Sequence[Event], others: Sequence[Placed] = ()
        ) -> tuple[JournalEntry, ...]:
            self.log.append("record")
            return note(state, taken, events, others)

        self.actuation.adopt = adopt_aloud  # type: ignore[method-assign]
        self.recorder.note = note_aloud  # type: ignore[method-assign]

    def _committed(self, scan: int) -> None:
        self.desk.committed(scan)
        self.actuation.committed(scan)

    def _tell(self, state: ScanState, outcome: Outcome, entries: Sequence[JournalEntry]) -> None:
        self.log.append("tell")
        self.told.append((state, outcome, entries))

    def _answered(self, answer: Answer, scan: int) -> None:
        self.log.append("answer")
        self.desk.answered(answer, scan)

    async def seconds(self, count: int) -> None:
        """Polls and scans, a second apart; the writer keeps up unless its disk is stuck."""
        for _ in range(count):
            self.decisions.monotonic_ms, self.decisions.utc_ms = (
                self.clock.now().monotonic_ms + 1_000,
                self.clock.now().utc_ms + 1_000,
            )
            await self.clock.run_for(999)
            for sample in self.decisions.samples():
                self.image.put(sample)
            await self.clock.run_for(1)
            if self.disk.stuck.is_set():
                await self.disk.settled()
                await self.clock.settle()

    async def ask(self, action: Action, subject: str = "", confirm: int = 0) -> "asyncio.Task[Answer]":
        self.decisions.utc_ms += 1
        request = Request(
            id=f"r{self.clock.now().monotonic_ms}",
            action=action,
            subject=subject,
            reason="test",
            confirm=confirm,
            measured=GOOD_GRAB if action is Action.GRAB_SAMPLE else {},
            **OPERATOR,  # type: ignore[arg-type]
        )
        asking = asyncio.create_task(self.desk.submit(request))
        await self.seconds(1)
        return asking


def delivering() -> ScanState:
    decisions = Decisions()
    decisions.deliver()
    return decisions.state


def play(tmp_path: Path, script: Callable[[Bench], Awaitable[None]]) -> None:
    disk = Disk(tmp_path / "plant.db")

    async def whole() -> None:
        bench = Bench(disk, delivering())
        bench.decisions.read(ZSC=0.0)
        works = [bench.scanner.run(), bench.recorder.run(), bench.actuation.run()]
        running = [asyncio.create_task(work) for work in works]
        try:
            await script(bench)
        finally:
            disk.stuck.set()
            for task in running:
                task.cancel()
            await asyncio.gather(*running, return_exceptions=True)

    try:
        asyncio.run(whole())
    finally:
        disk.close(WAIT_S)


def test_a_pass_acts_records_answers_and_tells_in_this_order(tmp_path: Path) -> None:
    async def script(bench: Bench) -> None:
        await bench.seconds(2)
        bench.log.clear()
        answer = await bench.ask(Action.GRAB_SAMPLE)
        assert bench.log == ["act", "record", "answer", "tell"]
        assert (await answer).granted

    play(tmp_path, script)


def test_a_trip_reaches_the_controller_while_the_disk_is_stuck(tmp_path: Path) -> None:
    async def script(bench: Bench) -> None:
        await bench.seconds(3)
        assert bench.controller.permit == PERMIT
        bench.disk.stuck.clear()
        bench.decisions.reads["TURB"] = Number(12.0)
        await bench.seconds(17)
        assert bench.controller.permit == 0
        assert "trip" not in bench.disk.kinds()
        bench.disk.stuck.set()
        await until(lambda: "trip" in bench.disk.kinds())

    play(tmp_path, script)


def test_a_release_reaches_the_controller_only_when_it_is_recorded(tmp_path: Path) -> None:
    async def script(bench: Bench) -> None:
        await bench.seconds(2)
        bench.decisions.reads |= {"TURB": Number(12.0), "ZSC": Number(1.0)}
        await bench.seconds(17)
        bench.decisions.reads["TURB"] = Number(0.5)
        await bench.seconds(62)
        await (await bench.ask(Action.GRAB_SAMPLE))
        offered = await (await bench.ask(Action.RELEASE, "product"))
        assert offered.granted, offered
        bench.disk.full = True
        released = await bench.ask(Action.RELEASE, "product", offered.confirm)
        await bench.seconds(20)
        assert bench.scanner.outcome.levels["product"] == "permitted"  # decided
        assert bench.controller.permit == 0  # and not given
        assert not released.done()
        bench.disk.full = False
        await bench.seconds(40)
        assert (await released).granted
        assert bench.controller.permit == PERMIT
        assert "released" in bench.disk.kinds()

    play(tmp_path, script)


def test_the_events_of_the_start_stand_before_those_of_the_first_scan(tmp_path: Path) -> None:
    async def script(bench: Bench) -> None:
        bench.decisions.reads["TANK"] = Number(96.0)
        await bench.seconds(3)
        assert bench.disk.kinds()[:3] == ["start", "trip", "level"]

    play(tmp_path, script)


def test_what_the_process_itself_has_to_say_is_journaled_with_the_next_scan_and_once(tmp_path: Path) -> None:
    async def script(bench: Bench) -> None:
        await bench.seconds(2)
        bench.scanner.journal(Event(kind=EventKind.GAP, reason="test"))
        await bench.seconds(3)
        assert bench.disk.kinds().count("gap") == 1

    play(tmp_path, script)


def test_the_position_is_hurried_from_the_command_until_it_is_proven(tmp_path: Path) -> None:
    async def script(bench: Bench) -> None:
        await bench.seconds(2)
        bench.decisions.reads["TURB"] = Number(12.0)
        await bench.seconds(20)
        bench.decisions.reads["ZSC"] = Number(1.0)
        await bench.seconds(5)
        assert bench.poller.hurried == [frozenset({"ZSC"}), frozenset()]

    play(tmp_path, script)


def test_every_sample_is_recorded_once_with_the_scan_that_took_it(tmp_path: Path) -> None:
    async def script(bench: Bench) -> None:
        await bench.seconds(25)
        rows = bench.disk.samples()
        assert len(rows) >= 20 * len(bench.decisions.reads)
        assert [row.n for row in rows] == list(range(1, len(rows) + 1))
        assert all(row.sample.arrived.monotonic_ms < _tick_of(bench, row.scan).monotonic_ms + 1 for row in rows)

    play(tmp_path, script)


def _tick_of(bench: Bench, scan: int) -> Tick:
    return next(state.tick for state, _, _ in bench.told if state.scan == scan)


# --- the grid of the loop -----------------------------------------------------------------------------------------


class Stuck(ManualClock):
    """A clock on which a scan can take its time."""

    def __init__(self) -> None:
        super().__init__(monotonic_ms=1_000_000, utc_ms=UTC_MS)
        self.told: list[int] = []
        self.takes_ms: dict[int, int] = {}

    def scanned(self, monotonic_ms: int) -> None:
        super().scanned(monotonic_ms)
        self.told.append(monotonic_ms - 1_000_000)
        if takes_ms := self.takes_ms.pop(monotonic_ms - 1_000_000, 0):
            self.advance(takes_ms)


async def _grid(disk: Disk, takes_ms: dict[int, int], for_ms: int) -> tuple[tuple[list[int], int], list[int]]:
    """When scans were and how many came late; and what the clock was told."""
    scans: list[int] = []
    clock = Stuck()
    clock.takes_ms = takes_ms
    decisions = Decisions()
    state = replace(decisions.state, tick=clock.now())
    scanner = Scanner(
        rules=rules_of(PLANT),
        state=state,
        beginnings=[],
        image=InputImage(),
        clock=clock,
        period_ms=1_000,
        actuation=None,
        pollers=[],
        recorder=recorder_on(disk, clock, lambda _: None),
        tell=lambda state, *_: scans.append(state.tick.monotonic_ms - 1_000_000),
        answer=lambda *_: None,
    )
    running = asyncio.create_task(scanner.run())
    await clock.run_for(for_ms)
    running.cancel()
    with suppress(asyncio.CancelledError):
        await running
    return (scans, scanner.late), clock.told


def test_scans_keep_to_their_grid_and_a_missed_one_is_not_made_up_for(tmp_path: Path) -> None:
    disk = Disk(tmp_path / "plant.db")
    try:
        assert asyncio.run(_grid(disk, {}, 3_000))[0] == ([0, 1_000, 2_000, 3_000], 0)
        assert asyncio.run(_grid(disk, {1_000: 300}, 3_000))[0] == ([0, 1_000, 2_000, 3_000], 0)
        assert asyncio.run(_grid(disk, {1_000: 2_500}, 6_000))[0] == ([0, 1_000, 4_000, 5_000, 6_000], 1)
    finally:
        disk.close(WAIT_S)


def test_a_plant_that_waits_is_told_that_the_missed_scans_do_not_come(tmp_path: Path) -> None:
    """Else both wait: the plant for a scan, and the scan for the next point of the grid, which never comes."""
    disk = Disk(tmp_path / "plant.db")
    try:
        _, told = asyncio.run(_grid(disk, {1_000: 2_500}, 5_000))
        assert told == [0, 1_000, 3_500, 4_000, 5_000]
    finally:
        disk.close(WAIT_S)
