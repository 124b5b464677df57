"""What the recorder commits, when, in which order, and what becomes of it when the disk takes nothing."""

import asyncio
import math
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest

from gateway.core.outcome import Event, EventKind
from gateway.field import recording
from gateway.field.clock import ManualClock
from gateway.field.recording import Recorder
from gateway.store import machine_state
from gateway.store.scan_state import from_bytes
from tests.field.fieldbench import INTERVAL_MS, WAIT_S, Disk, Scans, recorder_on, until

TRIP, LEVEL, ALARM = EventKind.TRIP, EventKind.LEVEL, EventKind.ALARM


class Bench:
    """A recorder on a real store; ``commits`` is what it told, with what the store held at that moment."""

    def __init__(self, disk: Disk) -> None:
        self.disk = disk
        self.clock = ManualClock(monotonic_ms=1_000_000)
        self.scans = Scans(self.clock)
        self.commits: list[tuple[int, list[str]]] = []
        self.recorder = recorder_on(disk, self.clock, lambda scan: self.commits.append((scan, disk.kinds())))

    def note(self, *kinds: EventKind, samples: int = 0) -> None:
        self.recorder.note(*self.scans.next(*kinds, samples=samples))

    async def run_for(self, ms: int) -> None:
        """Let time pass in steps in which the writer's thread has its turn."""
        end_ms = self.clock.now().monotonic_ms + ms
        while self.clock.now().monotonic_ms < end_ms:
            await self.clock.run_for(min(500, end_ms - self.clock.now().monotonic_ms))
            await self.disk.settled()
            await self.clock.settle()


@asynccontextmanager
async def recording_on(disk: Disk) -> AsyncIterator[tuple[Bench, "asyncio.Task[None]"]]:
    bench = Bench(disk)
    running = asyncio.create_task(bench.recorder.run())
    try:
        yield bench, running
    finally:
        disk.stuck.set()
        running.cancel()
        with suppress(asyncio.CancelledError):
            await running


def play(tmp_path: Path, script: Callable[[Bench, "asyncio.Task[None]"], Awaitable[None]]) -> None:
    disk = Disk(tmp_path / "plant.db")

    async def whole() -> None:
        async with recording_on(disk) as (bench, running):
            await script(bench, running)

    try:
        asyncio.run(whole())
    finally:
        disk.close(WAIT_S)


def test_an_event_is_committed_at_once_and_told_only_then(tmp_path: Path) -> None:
    async def script(bench: Bench, _: object) -> None:
        bench.note(TRIP, LEVEL)
        assert bench.commits == []
        await until(lambda: bench.commits != [])
        assert bench.commits == [(1, ["trip", "level"])]  # it was in the store when it was told
        assert bench.clock.now().monotonic_ms == 1_000_000

    play(tmp_path, script)


def test_samples_wait_for_their_interval_even_when_events_come_every_second(tmp_path: Path) -> None:
    async def script(bench: Bench, _: object) -> None:
        for second in range(1, 25):
            bench.note(ALARM, samples=2)
            await bench.run_for(1_000)
            assert bench.disk.chunks() == second // 10
        assert len(bench.disk.kinds()) == 24
        assert [row.n for row in bench.disk.samples()] == list(range(1, 41))

    play(tmp_path, script)


def test_without_events_the_samples_are_committed_every_interval(tmp_path: Path) -> None:
    async def script(bench: Bench, _: object) -> None:
        bench.note(samples=3)
        await bench.run_for(INTERVAL_MS - 1)
        assert bench.disk.samples() == []
        await bench.run_for(1)
        assert [row.n for row in bench.disk.samples()] == [1, 2, 3]

    play(tmp_path, script)


def test_with_every_commit_goes_the_state_it_led_to(tmp_path: Path) -> None:
    async def script(bench: Bench, _: object) -> None:
        bench.note()
        bench.note(TRIP)
        await until(lambda: bench.commits != [])
        saved = bench.disk.saved()
        assert isinstance(saved, machine_state.Saved)
        assert (from_bytes(saved.state).scan, saved.boot_id, saved.tick) == (2, "boot", bench.clock.now())

    play(tmp_path, script)


def test_entries_are_numbered_on_when_they_are_noted(tmp_path: Path) -> None:
    async def script(bench: Bench, _: object) -> None:
        entries = bench.recorder.note(*bench.scans.next(TRIP, LEVEL))
        assert [(entry.n, entry.kind, entry.scan) for entry in entries] == [(1, "trip", 1), (2, "level", 1)]
        await until(lambda: bench.commits != [])
        assert bench.disk.entries() == list(entries)

    play(tmp_path, script)


# --- a disk that takes nothing ------------------------------------------------------------------------------------


def test_nothing_is_told_while_the_disk_is_full_and_nothing_is_lost_when_it_is_not(tmp_path: Path) -> None:
    async def script(bench: Bench, _: object) -> None:
        bench.disk.full = True
        for _second in range(30):
            bench.note(ALARM, samples=2)
            await bench.run_for(1_000)
        assert bench.commits == []
        assert bench.disk.entries() == []
        assert bench.recorder.failing_since_ms is not None
        assert bench.recorder.waiting == 30 * 3
        bench.disk.full = False
        await bench.run_for(60_000)
        assert bench.recorder.failing_since_ms is None
        assert bench.recorder.waiting == 0
        assert [entry.n for entry in bench.disk.entries()] == list(range(1, 31))
        assert [row.n for row in bench.disk.samples()] == list(range(1, 61))
        assert bench.disk.findings() == []
        assert bench.commits[-1][0] == 30

    play(tmp_path, script)


def test_a_full_disk_is_tried_less_and_less_often_but_never_given_up(tmp_path: Path) -> None:
    async def script(bench: Bench, _: object) -> None:
        bench.disk.full = True
        bench.note(TRIP)
        await bench.run_for(5_000)
        early = bench.disk.refused
        assert 2 <= early <= 4
        await bench.run_for(295_000)
        assert early + 5 <= bench.disk.refused <= early + 16  # every half minute at last

    play(tmp_path, script)


def test_too_many_samples_give_way_and_the_gap_is_an_event_and_events_never_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording, "_SAMPLES_KEPT", 200)

    async def script(bench: Bench, _: object) -> None:
        bench.disk.full = True
        for _second in range(21):
            bench.note(ALARM, samples=10)
        await bench.run_for(2_000)
        assert bench.recorder.waiting <= 200 + 21 + 10
        bench.disk.full = False
        await bench.run_for(60_000)
        gaps = [entry.facts for entry in bench.disk.entries() if entry.kind == "gap"]
        given_up = [n for gap in gaps for n in range(int(gap["first_n"]), int(gap["last_n"]) + 1)]
        assert gaps
        assert bench.disk.kinds().count("alarm") == 21
        assert given_up + [row.n for row in bench.disk.samples()] == list(range(1, 211))
        assert bench.disk.findings() == []  # a gap that was told is no damage

    play(tmp_path, script)


def test_too_many_events_keep_their_numbers_and_the_oldest_lose_what_they_say(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording, "_ENTRIES_KEPT", 200)

    async def script(bench: Bench, _: object) -> None:
        bench.note(TRIP)
        await bench.run_for(1_000)
        bench.disk.full = True
        for _second in range(300):
            bench.note(ALARM)
            assert bench.recorder.waiting <= 200
        await bench.run_for(2_000)
        bench.disk.full = False
        await bench.run_for(60_000)
        entries = bench.disk.entries()
        assert [entry.n for entry in entries] == list(range(1, 302))
        emptied = [entry for entry in entries if entry.kind == "gap"]
        assert [entry.n for entry in emptied] == list(range(2, 2 + len(emptied)))
        assert 300 - 200 <= len(emptied) <= 300 - 200 + 2
        assert all("what this one said is lost" in entry.reason and not entry.facts for entry in emptied)
        assert bench.disk.findings() == []
        bench.note(TRIP)
        await bench.run_for(1_000)
        assert bench.disk.kinds()[-1] == "trip"

    play(tmp_path, script)


def test_events_that_a_slow_commit_has_written_meanwhile_are_not_written_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording, "_ENTRIES_KEPT", 200)

    async def script(bench: Bench, _: object) -> None:
        bench.disk.stuck.clear()
        for _first in range(150):
            bench.note(TRIP)
        await until(lambda: bench.recorder._under_way is not None)
        for _second in range(250):
            bench.note(ALARM)
        bench.disk.stuck.set()
        await bench.run_for(5_000)
        kinds = bench.disk.kinds()
        assert kinds[:150] == ["trip"] * 150  # they were on their way when there was no more room for them
        assert len(kinds) == 400
        assert kinds.count("gap") == 250 - kinds.count("alarm") <= 250 - 200 + 2
        assert bench.disk.findings() == []

    play(tmp_path, script)


def test_a_writer_that_is_behind_is_a_failure_like_others(tmp_path: Path) -> None:
    disk = Disk(tmp_path / "plant.db", queue_length=1)

    async def script() -> None:
        async with recording_on(disk) as (bench, _):
            disk.stuck.clear()
            done = [disk.submit(lambda _: None)]
            await until(lambda: disk.waiting == 0)  # the writer has it in hand
            done.append(disk.submit(lambda _: None))
            bench.note(TRIP)
            await until(lambda: bench.recorder.failing_since_ms is not None)
            disk.stuck.set()
            await bench.run_for(5_000)
            assert disk.kinds() == ["trip"]
            assert all(one.done() for one in done)

    try:
        asyncio.run(script())
    finally:
        disk.close(WAIT_S)


def test_a_fact_that_is_no_finite_number_keeps_no_other_entry_out(tmp_path: Path) -> None:
    async def script(bench: Bench, _: object) -> None:
        state, taken, _events = bench.scans.next()
        bench.recorder.note(state, taken, [Event(kind=TRIP, facts={"value": math.nan, "limit": math.inf, "at": 1.5})])
        bench.note(LEVEL)
        await until(lambda: bench.recorder.waiting == 0)
        assert [entry.facts for entry in bench.disk.entries()] == [{"value": "nan", "limit": "inf", "at": 1.5}, {}]

    play(tmp_path, script)


# --- the end ------------------------------------------------------------------------------------------------------


async def ended(running: "asyncio.Task[None]") -> None:
    running.cancel()
    with suppress(asyncio.CancelledError):
        await running


def test_the_end_commits_events_and_samples_whatever_the_interval(tmp_path: Path) -> None:
    async def script(bench: Bench, running: "asyncio.Task[None]") -> None:
        bench.note(samples=5)
        await ended(running)
        bench.note(EventKind.STOP, samples=5)
        assert await bench.recorder.finish(WAIT_S)
        assert bench.disk.kinds() == ["stop"]
        assert len(bench.disk.samples()) == 10

    play(tmp_path, script)


def test_a_commit_that_was_under_way_at_the_end_is_seen_through_and_not_repeated(tmp_path: Path) -> None:
    async def script(bench: Bench, running: "asyncio.Task[None]") -> None:
        bench.disk.stuck.clear()
        bench.note(TRIP, samples=1)
        await bench.clock.run_for(INTERVAL_MS)
        await until(lambda: bench.disk.waiting == 0)
        await ended(running)  # the writer still has it in hand
        bench.note(EventKind.STOP, samples=1)
        finishing = asyncio.create_task(bench.recorder.finish(WAIT_S))
        await asyncio.sleep(0)
        bench.disk.stuck.set()
        assert await finishing
        assert bench.disk.kinds() == ["trip", "stop"]
        assert [row.n for row in bench.disk.samples()] == [1, 2]
        assert [scan for scan, _ in bench.commits] == [1, 2]

    play(tmp_path, script)


def test_a_commit_that_fails_at_the_end_is_tried_again(tmp_path: Path) -> None:
    async def script(bench: Bench, running: "asyncio.Task[None]") -> None:
        await ended(running)
        bench.disk.full = True
        bench.note(EventKind.STOP)
        finishing: asyncio.Task[bool] = asyncio.create_task(bench.recorder.finish(WAIT_S))
        await until(lambda: bench.disk.refused > 0)
        bench.disk.full = False
        await bench.run_for(2_000)
        assert await finishing
        assert bench.disk.kinds() == ["stop"]

    play(tmp_path, script)


def test_the_end_does_not_wait_for_ever_for_a_disk(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    async def script(bench: Bench, running: "asyncio.Task[None]") -> None:
        await ended(running)
        bench.disk.full = True
        bench.note(EventKind.STOP, samples=2)
        assert not await bench.recorder.finish(0.1)
        assert "3 records could not be written before the stop" in caplog.text

    play(tmp_path, script)


def test_without_a_scan_there_is_nothing_to_finish(tmp_path: Path) -> None:
    async def script(bench: Bench, running: "asyncio.Task[None]") -> None:
        await ended(running)
        recorder: Recorder = bench.recorder
        assert await recorder.finish(WAIT_S)
        assert isinstance(bench.disk.saved(), machine_state.Nothing)

    play(tmp_path, script)
