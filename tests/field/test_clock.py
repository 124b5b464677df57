"""The three clocks: a page written by the test stands for the simulated plant."""

import asyncio
import fcntl
import mmap
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.field.clock import ClockFault, ManualClock, PageClock, SystemClock, boot_id, wait_until
from gateway.local.clockpage import LAG_SIZE, PLANT_SIZE, PlantPage, TornPage, pack_plant, unpack_lag

UTC_MS = 1_740_560_400_000


class Simulator:
    """Writes a clock page as the simulated plant does, and can look at the lag page."""

    def __init__(self, path: Path, *, rate: float, plant_ms: int = 1_000_000) -> None:
        path.write_bytes(bytes(PLANT_SIZE))
        self.path = path
        self.lag = path.with_name(f"{path.name}.lag")
        self._file = path.open("r+b")
        self._map = mmap.mmap(self._file.fileno(), PLANT_SIZE)
        self._sequence = 0
        self._page = PlantPage(anchor_ns=time.monotonic_ns(), plant_ms=plant_ms, utc_ms=UTC_MS, rate=rate)
        self._write()

    def run_at(self, rate: float) -> None:
        now_ns = time.monotonic_ns()
        plant_ms = self._page.now_ms(now_ns)
        utc_ms = self._page.utc_ms + plant_ms - self._page.plant_ms
        self._page = PlantPage(anchor_ns=now_ns, plant_ms=plant_ms, utc_ms=utc_ms, rate=rate)
        self._write()

    def set_back(self, by_ms: int) -> None:
        now_ns = time.monotonic_ns()
        plant_ms = self._page.now_ms(now_ns) - by_ms
        self._page = PlantPage(anchor_ns=now_ns, plant_ms=plant_ms, utc_ms=self._page.utc_ms, rate=self._page.rate)
        self._write()

    def lag_is_held(self) -> bool:
        with self.lag.open("rb") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                return True
            return False

    def scanned_ms(self) -> int:
        return unpack_lag(memoryview(self.lag.read_bytes()))

    def close(self) -> None:
        self._map.close()
        self._file.close()

    def _write(self) -> None:
        self._sequence += 1
        self._map[:PLANT_SIZE] = pack_plant(self._page, self._sequence)


@pytest.fixture
def simulator(tmp_path: Path) -> Iterator[Simulator]:
    plant = Simulator(tmp_path / "clock", rate=60.0)
    yield plant
    plant.close()


def test_the_system_clock_counts_boot_time_and_trusts_this_century() -> None:
    clock = SystemClock()
    before_ms = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    tick = clock.now()
    assert 0 <= tick.monotonic_ms - before_ms < 1_000
    assert abs(tick.utc_ms - time.time() * 1_000) < 1_000
    assert tick.utc_trusted
    assert clock.rate == 1.0
    assert clock.real_timeout_s(0.05) == 0.05


def test_the_system_clock_does_not_trust_a_year_before_2024(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: 1_703_980_800_000_000_000)
    assert not SystemClock().now().utc_trusted


def test_the_system_clock_sleeps_until_the_instant_and_not_less() -> None:
    async def slept() -> int:
        clock = SystemClock()
        due_ms = clock.now().monotonic_ms + 120
        await clock.sleep_until(due_ms)
        return clock.now().monotonic_ms - due_ms

    assert 0 <= asyncio.run(slept()) < 100


def test_sleeping_until_the_past_lets_other_tasks_run() -> None:
    async def others_ran() -> bool:
        ran = asyncio.Event()
        asyncio.get_running_loop().call_soon(ran.set)
        await SystemClock().sleep_until(0)
        return ran.is_set()

    assert asyncio.run(others_ran())


def test_a_boot_has_an_identity() -> None:
    assert re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", boot_id())


def test_plant_time_runs_at_the_rate_of_the_page(simulator: Simulator) -> None:
    async def measure() -> tuple[float, float]:
        clock = PageClock(simulator.path)
        first, first_ns = clock.now(), time.monotonic_ns()
        await clock.sleep(9.0)
        second, second_ns = clock.now(), time.monotonic_ns()
        assert second.utc_ms - first.utc_ms == second.monotonic_ms - first.monotonic_ms
        assert first.utc_ms >= UTC_MS
        clock.close()
        return (second.monotonic_ms - first.monotonic_ms) / 1_000, (second_ns - first_ns) / 1e9

    plant_s, real_s = asyncio.run(measure())
    assert plant_s >= 9.0
    assert plant_s / real_s == pytest.approx(60.0, rel=0.02)


def test_nothing_comes_due_while_the_plant_is_held_and_everything_soon_after(simulator: Simulator) -> None:
    async def held_then_released() -> int:
        clock = PageClock(simulator.path)
        simulator.run_at(0.0)
        due_ms = clock.now().monotonic_ms + 100
        sleeper = asyncio.ensure_future(clock.sleep_until(due_ms))
        done, _ = await asyncio.wait([sleeper], timeout=0.2)
        assert not done
        assert clock.rate == 0.0
        simulator.run_at(60.0)
        await asyncio.wait_for(sleeper, timeout=5)
        late_ms = clock.now().monotonic_ms - due_ms
        clock.close()
        return late_ms

    assert 0 <= asyncio.run(held_then_released()) < 3_000


def test_a_sleep_begun_slowly_ends_early_when_the_plant_speeds_up(tmp_path: Path) -> None:
    plant = Simulator(tmp_path / "clock", rate=1.0)

    async def sped_up() -> float:
        clock = PageClock(plant.path)
        sleeper = asyncio.ensure_future(clock.sleep(60.0))
        await asyncio.wait([sleeper], timeout=0.01)
        plant.run_at(600.0)
        began_ns = time.monotonic_ns()
        await asyncio.wait_for(sleeper, timeout=10)
        clock.close()
        return (time.monotonic_ns() - began_ns) / 1e9

    assert asyncio.run(sped_up()) < 1.0
    plant.close()


def test_plant_time_never_goes_back_when_the_page_does(simulator: Simulator) -> None:
    clock = PageClock(simulator.path)
    before = clock.now()
    simulator.set_back(500)
    after = clock.now()
    assert after.monotonic_ms >= before.monotonic_ms
    clock.close()


@pytest.mark.parametrize(("rate", "plant_s", "real_s"), [(60.0, 60.0, 1.0), (60.0, 0.5, 0.25), (1.0, 0.1, 0.1)])
def test_a_reply_timeout_shrinks_with_the_rate_but_not_under_a_quarter_second(
    tmp_path: Path, rate: float, plant_s: float, real_s: float
) -> None:
    plant = Simulator(tmp_path / "clock", rate=rate)
    clock = PageClock(plant.path)
    assert clock.real_timeout_s(plant_s) == pytest.approx(real_s)
    plant.run_at(0.0)
    assert clock.real_timeout_s(plant_s) == pytest.approx(real_s)
    clock.close()
    plant.close()


def test_the_field_process_locks_its_lag_page_and_reports_every_scan(simulator: Simulator) -> None:
    started_ms = 1_000_000
    clock = PageClock(simulator.path, field_process=True)
    assert simulator.lag_is_held()
    assert simulator.lag.stat().st_size == LAG_SIZE
    assert simulator.scanned_ms() >= started_ms
    clock.scanned(1_234_567)
    assert simulator.scanned_ms() == 1_234_567
    clock.close()
    assert not simulator.lag_is_held()


def test_a_second_field_process_on_the_same_page_is_refused(simulator: Simulator) -> None:
    clock = PageClock(simulator.path, field_process=True)
    with pytest.raises(ClockFault, match="another field process"):
        PageClock(simulator.path, field_process=True)
    clock.close()
    PageClock(simulator.path, field_process=True).close()


def test_the_lock_goes_with_the_process_that_held_it(simulator: Simulator) -> None:
    child = os.fork()
    if child == 0:
        PageClock(simulator.path, field_process=True)
        os._exit(0)
    os.waitpid(child, 0)
    assert simulator.lag.exists()
    assert not simulator.lag_is_held()


def test_other_processes_leave_no_lag_page(simulator: Simulator) -> None:
    clock = PageClock(simulator.path)
    clock.scanned(5)
    clock.close()
    assert not simulator.lag.exists()


def test_a_missing_or_short_page_is_named(tmp_path: Path) -> None:
    with pytest.raises(ClockFault, match="no-such-page"):
        PageClock(tmp_path / "no-such-page")
    (tmp_path / "short").write_bytes(b"12345")
    with pytest.raises(ClockFault, match="short"):
        PageClock(tmp_path / "short")


def test_a_page_that_was_never_written_is_refused_and_leaves_no_lock(tmp_path: Path) -> None:
    (tmp_path / "clock").write_bytes(bytes(PLANT_SIZE))
    with pytest.raises(TornPage):
        PageClock(tmp_path / "clock", field_process=True)
    assert not (tmp_path / "clock.lag").exists()


def test_a_manual_clock_wakes_sleepers_at_their_instants_in_order() -> None:
    async def order() -> list[tuple[str, int]]:
        clock = ManualClock(500)
        woken: list[tuple[str, int]] = []

        async def sleeper(name: str, duration_s: float) -> None:
            await clock.sleep(duration_s)
            woken.append((name, clock.now().monotonic_ms))

        tasks = [asyncio.ensure_future(sleeper(name, s)) for name, s in (("b", 90.0), ("a", 0.001), ("c", 90.001))]
        await clock.run_for(90_000)
        assert not tasks[2].done()
        tasks[2].cancel()
        return woken

    assert asyncio.run(order()) == [("a", 501), ("b", 90_500)]


def test_a_jump_of_the_manual_clock_shows_every_sleeper_the_new_time() -> None:
    async def seen() -> list[int]:
        clock = ManualClock()
        times: list[int] = []

        async def sleeper(duration_s: float) -> None:
            await clock.sleep(duration_s)
            times.append(clock.now().monotonic_ms)

        tasks = [asyncio.ensure_future(sleeper(s)) for s in (1.0, 2.0)]
        await clock.settle()
        clock.advance(10_000)
        await asyncio.gather(*tasks)
        return times

    assert asyncio.run(seen()) == [10_000, 10_000]


def test_waiting_ends_with_the_event_or_with_the_time_whichever_is_first() -> None:
    async def both() -> tuple[bool, int, bool, int]:
        clock = ManualClock()
        event = asyncio.Event()
        waiter = asyncio.ensure_future(wait_until(clock, event, 5_000))
        await clock.run_for(2_000)
        event.set()
        by_event, at_ms = await waiter, clock.now().monotonic_ms
        event.clear()
        waiter = asyncio.ensure_future(wait_until(clock, event, 5_000))
        await clock.run_for(3_000)
        return by_event, at_ms, await waiter, clock.now().monotonic_ms

    assert asyncio.run(both()) == (True, 2_000, False, 5_000)


def test_a_clock_that_fails_is_not_taken_for_time_that_passed(simulator: Simulator) -> None:
    async def broken() -> None:
        clock = PageClock(simulator.path)
        simulator.path.write_bytes(bytes(PLANT_SIZE))
        await wait_until(clock, asyncio.Event(), clock._latest_ms + 10)

    with pytest.raises(TornPage):
        asyncio.run(broken())
