"""The plant's clock: runs at its rate, changes it without a jump, and waits for a live field process alone."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from fcntl import LOCK_EX, LOCK_NB, flock
from pathlib import Path

import pytest

from gateway.local.clockpage import pack_lag, unpack_plant
from simulator.plant_clock import FIRST_MS, HOLD_MOST_NS, PlantClock

START_UTC_MS = 1_740_556_800_000
SECOND_NS = 1_000_000_000


class Bench:
    def __init__(self, folder: Path, rate: float = 60.0) -> None:
        self.machine_ns = 5_000 * SECOND_NS
        self.said: list[str] = []
        self.clock = PlantClock(
            folder / "clock.page",
            start_utc_ms=START_UTC_MS,
            rate=rate,
            say=self.said.append,
            machine_ns=lambda: self.machine_ns,
        )
        self.scans = 0

    def after(self, real_s: float) -> int:
        """Let real time pass with the clock looked after all the while; the plant time then."""
        for _ in range(round(real_s / 0.01)):
            self.machine_ns += SECOND_NS // 100
            self.clock.watch()
        return self.clock.now_ms()

    def scanned(self, at_ms: int) -> None:
        self.scans += 1
        self.clock.lag_page.write_bytes(pack_lag(scanned_ms=at_ms, sequence=self.scans))

    @contextmanager
    def field_process(self) -> Iterator[None]:
        """One that has just come up and scanned once."""
        self.scanned(self.clock.now_ms())
        handle = os.open(self.clock.lag_page, os.O_RDWR)
        flock(handle, LOCK_EX | LOCK_NB)
        try:
            self.after(0.3)
            self.scanned(self.clock.now_ms())
            yield
        finally:
            os.close(handle)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_plant_time_runs_at_the_rate(bench: Bench) -> None:
    assert bench.clock.now_ms() == FIRST_MS
    assert bench.after(2.0) == FIRST_MS + 120_000


def test_the_page_tells_what_the_clock_shows(bench: Bench) -> None:
    bench.after(1.0)
    page = unpack_plant(memoryview(bench.clock.page.read_bytes()))
    assert page.now_ms(bench.machine_ns) == bench.clock.now_ms()
    assert page.rate == 60.0
    assert page.utc_ms + page.now_ms(bench.machine_ns) - page.plant_ms == START_UTC_MS + 60_000


def test_another_rate_takes_over_without_a_jump(bench: Bench) -> None:
    before = bench.after(1.5)
    bench.clock.set_rate(1.0)
    assert bench.clock.now_ms() == before
    assert bench.after(2.0) == before + 2_000
    page = unpack_plant(memoryview(bench.clock.page.read_bytes()))
    assert page.rate == 1.0
    assert page.utc_ms - START_UTC_MS == page.plant_ms - FIRST_MS


@pytest.mark.parametrize("rate", [0.0, -1.0])
def test_a_rate_that_is_not_above_zero_is_refused(bench: Bench, rate: float) -> None:
    with pytest.raises(ValueError, match="must be above 0"):
        bench.clock.set_rate(rate)
    assert bench.clock.rate == 60.0


def test_without_a_field_process_nothing_holds_the_clock(bench: Bench) -> None:
    assert bench.after(3.0) == FIRST_MS + 180_000
    bench.scanned(FIRST_MS)
    assert bench.after(1.0) == FIRST_MS + 240_000
    assert bench.said == []


def test_a_live_field_process_that_lags_holds_the_clock_until_it_has_caught_up(bench: Bench) -> None:
    with bench.field_process():
        held_at = bench.after(1.0)
        assert bench.clock.held
        assert bench.said[0].startswith("plant waits")
        assert unpack_plant(memoryview(bench.clock.page.read_bytes())).rate == 0.0
        assert bench.after(5.0) == held_at
        bench.scanned(held_at - 1_000)
        assert bench.after(0.01) == held_at
        assert not bench.clock.held
        assert bench.after(0.01) == held_at + 600
        assert bench.said[1].startswith("plant runs on")


def test_it_holds_soon_after_two_plant_seconds(bench: Bench) -> None:
    with bench.field_process():
        scanned_ms = bench.clock.now_ms()
        assert 2_000 < bench.after(1.0) - scanned_ms <= 2_000 + 600


def test_a_field_process_that_keeps_up_never_holds_it(bench: Bench) -> None:
    with bench.field_process():
        for _ in range(200):
            bench.after(0.02)
            bench.scanned(bench.clock.now_ms())
    assert bench.said == []


def test_a_field_process_that_dies_lets_the_clock_run_on(bench: Bench) -> None:
    with bench.field_process():
        held_at = bench.after(1.0)
        assert bench.clock.held
    assert bench.after(1.0) > held_at + 40_000
    assert not bench.clock.held


def test_a_new_field_process_is_not_judged_by_the_last_scan_of_the_old_one(bench: Bench) -> None:
    with bench.field_process():
        pass
    bench.after(2.0)
    handle = os.open(bench.clock.lag_page, os.O_RDWR)
    flock(handle, LOCK_EX | LOCK_NB)
    bench.after(1.0)
    assert not bench.clock.held
    bench.scanned(bench.clock.now_ms())
    bench.after(0.5)
    assert bench.clock.held
    os.close(handle)


def test_a_field_process_that_hangs_does_not_hold_it_for_ever(bench: Bench) -> None:
    with bench.field_process():
        held_at = bench.after(1.0)
        assert bench.after(HOLD_MOST_NS / SECOND_NS - 1.5) == held_at
        bench.after(2.0)
        assert not bench.clock.held
        running_at = bench.after(1.0)
        assert running_at > held_at + 60_000
        assert any("no longer" in line for line in bench.said)
        bench.scanned(running_at)
        bench.after(0.2)
        assert bench.clock.held


def test_a_rate_set_while_held_counts_when_it_runs_on(bench: Bench) -> None:
    with bench.field_process():
        held_at = bench.after(1.0)
        bench.clock.set_rate(2.0)
        assert bench.after(1.0) == held_at
        bench.scanned(held_at)
        bench.after(0.01)
        assert bench.after(1.0) == held_at + 2_000


HOLDER = """
import fcntl, os, sys
from gateway.local.clockpage import pack_lag
handle = os.open(sys.argv[1], os.O_RDWR | os.O_CREAT)
fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
os.pwrite(handle, pack_lag(scanned_ms=int(sys.argv[2]), sequence=1), 0)
print("locked", flush=True)
os.pwrite(handle, pack_lag(scanned_ms=int(sys.stdin.readline()), sequence=2), 0)
print("scanned", flush=True)
sys.stdin.readline()
"""


def test_the_lock_of_another_process_holds_it_and_kill_9_frees_it(bench: Bench) -> None:
    command = [sys.executable, "-c", HOLDER, str(bench.clock.lag_page), str(bench.clock.now_ms())]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stdout.readline() == "locked\n"
        bench.after(0.3)
        process.stdin.write(f"{bench.clock.now_ms()}\n")
        process.stdin.flush()
        assert process.stdout.readline() == "scanned\n"
        held_at = bench.after(1.0)
        assert bench.clock.held
        process.kill()
        process.wait()
        assert bench.after(1.0) > held_at + 40_000


def test_closing_takes_the_page_away(bench: Bench) -> None:
    bench.clock.close()
    assert not bench.clock.page.exists()
