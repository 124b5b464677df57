"""What time it is, in one of three gears. The only file of this package that asks the machine for it.

A clock gives plant time: real (``SystemClock``), the simulated plant's, read
from its clock page (``PageClock``), or a test's own (``ManualClock``).
Everything declared in seconds is waited for here, so that a plant running at
sixty seconds a second is polled sixty times as often. This file decides
nothing about the plant and never waits on anything but time, except in
``wait_until``, which also listens to an event.
"""

import asyncio
import fcntl
import heapq
import itertools
import mmap
import os
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from gateway.core.tick import Tick
from gateway.local.clockpage import LAG_SIZE, PLANT_SIZE, PlantPage, pack_lag, unpack_plant

_SHORTEST_REPLY_TIMEOUT_S = 0.25  # kernels and networks do not run faster because a plant does
_LONGEST_SLICE_S = 0.05  # a change of rate is noticed within this, real seconds
_HELD_SLICE_S = 0.005  # while the plant stands still; 50 ms here would be 3 plant seconds late at 60 a second
_TRUSTED_FROM_UTC_MS = 1_704_067_200_000  # 2024-01-01: an unset hardware clock starts far before
_LOCK_ATTEMPTS, _LOCK_PAUSE_S = 20, 0.005
_SETTLE_TURNS = 50  # turns of the event loop a manual clock grants before it moves on


class ClockFault(Exception):  # noqa: N818 - named for what is the case
    """The clock page cannot be used: it is missing, too short, or another field process holds its lag page."""


class Clock(Protocol):
    """Plant time, and waiting for it."""

    @property
    def rate(self) -> float:
        """Plant seconds a real second; 0 while the plant is held."""

    def now(self) -> Tick:
        """This instant. ``monotonic_ms`` never goes back within a process."""

    async def sleep_until(self, monotonic_ms: int) -> None:
        """Wait until plant time ``monotonic_ms``; in the past: let the other tasks run once, and return."""

    async def sleep(self, duration_s: float) -> None:
        """Wait for ``duration_s`` plant seconds."""

    def real_timeout_s(self, plant_s: float) -> float:
        """Real seconds to grant for something declared as ``plant_s``.

        The plain value at rate 1, and never under 0.25 s at another rate.
        While the plant is held, the rate before the hold counts.
        """

    def real_pause_s(self, plant_s: float) -> float:
        """Real seconds of a pause declared as ``plant_s``: as a time-out, without the lower bound."""

    def scanned(self, monotonic_ms: int) -> None:
        """Tell whoever owns the clock that the scan of ``monotonic_ms`` is finished."""

    def close(self) -> None:
        """Let go of files; the clock is not asked again."""


def boot_id(path: Path = Path("/proc/sys/kernel/random/boot_id")) -> str:
    """Identity of this boot of the machine; the monotonic clock only compares within one.

    Raises:
        OSError: the kernel does not offer it at ``path``.
    """
    return path.read_text(encoding="ascii").strip()


async def wait_until(clock: Clock, event: asyncio.Event, monotonic_ms: int) -> bool:
    """Wait for an event, but not beyond plant time ``monotonic_ms``.

    Returns:
        Whether the event is set.
    """
    if clock.now().monotonic_ms >= monotonic_ms:
        await asyncio.sleep(0)  # others get their turn all the same
    elif not event.is_set():
        waiting = [asyncio.ensure_future(event.wait()), asyncio.ensure_future(clock.sleep_until(monotonic_ms))]
        try:
            done, _ = await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()  # a clock that fails is no time that has passed
        finally:
            for task in waiting:
                task.cancel()
            await asyncio.gather(*waiting, return_exceptions=True)
    return event.is_set()


class SystemClock:
    """Real time: the machine's time since boot (it counts suspension too) and its wall clock.

    The wall clock is trusted from the year 2024 on. Whether a time server has
    confirmed it is not asked yet.
    """

    rate = 1.0

    def now(self) -> Tick:
        """This instant."""
        utc_ms = time.time_ns() // 1_000_000
        return Tick(monotonic_ms=_boot_ms(), utc_ms=utc_ms, utc_trusted=utc_ms >= _TRUSTED_FROM_UTC_MS)

    async def sleep_until(self, monotonic_ms: int) -> None:
        """See ``Clock``."""
        await asyncio.sleep(0)
        while (remaining_ms := monotonic_ms - _boot_ms()) > 0:  # noqa: ASYNC110 - time is all that is waited for
            await asyncio.sleep(remaining_ms / 1_000)

    async def sleep(self, duration_s: float) -> None:
        """See ``Clock``."""
        await self.sleep_until(_boot_ms() + round(duration_s * 1_000))

    def real_timeout_s(self, plant_s: float) -> float:
        """See ``Clock``."""
        return plant_s

    def real_pause_s(self, plant_s: float) -> float:
        """See ``Clock``."""
        return plant_s

    def scanned(self, monotonic_ms: int) -> None:
        """Nobody holds real time, so nobody needs to know."""

    def close(self) -> None:
        """Nothing is held open."""


def _boot_ms() -> int:
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


class PageClock:
    """The simulated plant's time, read from the clock page its simulator writes.

    Args:
        path: the clock page.
        field_process: True in the field process alone: then the lag page
            ``<path>.lag`` is written, and locked for as long as this clock is
            open. The simulator holds the plant for whoever has that lock.

    Raises:
        ClockFault: there is no such page, or another field process has the lock.
        TornPage: the page is damaged or was never written.
    """

    def __init__(self, path: Path, *, field_process: bool = False) -> None:
        self._map = _map_page(path)
        self._view = memoryview(self._map)
        self._latest_ms = 0
        self._running_rate = 1.0
        self._lag: _LagPage | None = None
        try:
            started_ms = self.now().monotonic_ms
            if field_process:
                self._lag = _LagPage(path.with_name(f"{path.name}.lag"), started_ms)
        except BaseException:
            self.close()
            raise

    @property
    def rate(self) -> float:
        """Plant seconds a second; 0 while the plant is held."""
        return self._page().rate

    def now(self) -> Tick:
        """This instant of the plant.

        A rate changes a moment before its page is written; plant time then
        stands still for that moment instead of going back.
        """
        page = self._page()
        plant_ms = page.now_ms(time.monotonic_ns())
        self._latest_ms = max(self._latest_ms, plant_ms)
        return Tick(monotonic_ms=self._latest_ms, utc_ms=page.utc_ms + self._latest_ms - page.plant_ms)

    async def sleep_until(self, monotonic_ms: int) -> None:
        """See ``Clock``. Looks at the page again at least every 50 ms."""
        await asyncio.sleep(0)
        while (remaining_ms := monotonic_ms - self.now().monotonic_ms) > 0:
            rate = self.rate
            await asyncio.sleep(min(_LONGEST_SLICE_S, remaining_ms / 1_000 / rate) if rate > 0 else _HELD_SLICE_S)

    async def sleep(self, duration_s: float) -> None:
        """See ``Clock``."""
        await self.sleep_until(self.now().monotonic_ms + round(duration_s * 1_000))

    def real_timeout_s(self, plant_s: float) -> float:
        """See ``Clock``."""
        pause_s = self.real_pause_s(plant_s)
        return pause_s if self._running_rate == 1.0 else max(_SHORTEST_REPLY_TIMEOUT_S, pause_s)

    def real_pause_s(self, plant_s: float) -> float:
        """See ``Clock``."""
        self._page()
        return plant_s / self._running_rate

    def scanned(self, monotonic_ms: int) -> None:
        """See ``Clock``; does nothing outside the field process."""
        if self._lag is not None:
            self._lag.write(monotonic_ms)

    def close(self) -> None:
        """Let go of the page and of the lock; the simulator no longer waits for this process."""
        self._view.release()
        self._map.close()
        if self._lag is not None:
            self._lag.close()
            self._lag = None

    def _page(self) -> PlantPage:
        page = unpack_plant(self._view)
        if page.rate > 0:
            self._running_rate = page.rate
        return page


def _map_page(path: Path) -> mmap.mmap:
    try:
        with path.open("rb") as file:
            return mmap.mmap(file.fileno(), PLANT_SIZE, access=mmap.ACCESS_READ)
    except (OSError, ValueError) as fault:
        raise ClockFault(
            f"clock page {path}: {fault}; a simulated plant must be running and write its clock there "
            f"(at least {PLANT_SIZE} bytes), or place.yaml must not name a simulated_clock"
        ) from fault


def _locked(descriptor: int) -> bool:
    """Take the lock. The simulator tests it for a moment now and then, so one refusal proves nothing."""
    for _ in range(_LOCK_ATTEMPTS):
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            time.sleep(_LOCK_PAUSE_S)
        else:
            return True
    return False


class _LagPage:
    """The plant time of our last finished scan, and the lock that says we are alive."""

    def __init__(self, path: Path, scanned_ms: int) -> None:
        self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        if not _locked(self._descriptor):
            os.close(self._descriptor)
            raise ClockFault(f"lag page {path} is locked: another field process runs on this clock; stop it first")
        os.ftruncate(self._descriptor, LAG_SIZE)
        self._map = mmap.mmap(self._descriptor, LAG_SIZE)
        self._sequence = 0
        self.write(scanned_ms)

    def write(self, scanned_ms: int) -> None:
        self._sequence += 1
        self._map[:LAG_SIZE] = pack_lag(scanned_ms=scanned_ms, sequence=self._sequence)

    def close(self) -> None:
        self._map.close()
        os.close(self._descriptor)


@dataclass(order=True)
class _Waiter:
    due_ms: int
    order: int
    woken: "asyncio.Future[None]" = field(compare=False)


class ManualClock:
    """A clock that moves only when told to. For tests and replay.

    Args:
        monotonic_ms: where it starts.
        utc_ms: the wall clock at the start; it moves along.
        utc_trusted: what every tick says about the wall clock.

    Attributes:
        scanned_ms: what ``scanned`` was told last.
    """

    rate = 1.0

    def __init__(
        self, monotonic_ms: int = 0, *, utc_ms: int = 1_738_368_000_000, utc_trusted: bool = True
    ) -> None:  # 1 February 2025
        self._monotonic_ms = monotonic_ms
        self._utc_ms = utc_ms
        self._utc_trusted = utc_trusted
        self._waiters: list[_Waiter] = []
        self._order = itertools.count()
        self.scanned_ms = 0

    def now(self) -> Tick:
        """Where the clock stands."""
        return Tick(monotonic_ms=self._monotonic_ms, utc_ms=self._utc_ms, utc_trusted=self._utc_trusted)

    def advance(self, duration_ms: int) -> None:
        """Jump forward at once and wake everybody who is due, in the order in which they are.

        They run when the caller next awaits something, and all see the new
        time, like tasks after a machine that was stuck.
        """
        self._monotonic_ms += duration_ms
        self._utc_ms += duration_ms
        while self._waiters and self._waiters[0].due_ms <= self._monotonic_ms:
            waiter = heapq.heappop(self._waiters)
            if not waiter.woken.done():
                waiter.woken.set_result(None)

    async def run_for(self, duration_ms: int) -> None:
        """Let ``duration_ms`` pass, stopping at every instant somebody waits for and letting all tasks run there."""
        end_ms = self._monotonic_ms + duration_ms
        await self.settle()
        while (due_ms := self._next_due_ms()) is not None and due_ms <= end_ms:
            self.advance(due_ms - self._monotonic_ms)
            await self.settle()
        self.advance(end_ms - self._monotonic_ms)
        await self.settle()

    async def settle(self) -> None:
        """Let all tasks run until they wait for time (fifty turns of the event loop)."""
        for _ in range(_SETTLE_TURNS):
            await asyncio.sleep(0)

    async def sleep_until(self, monotonic_ms: int) -> None:
        """See ``Clock``."""
        if monotonic_ms <= self._monotonic_ms:
            await asyncio.sleep(0)
            return
        woken: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._waiters, _Waiter(monotonic_ms, next(self._order), woken))
        await woken

    async def sleep(self, duration_s: float) -> None:
        """See ``Clock``."""
        await self.sleep_until(self._monotonic_ms + round(duration_s * 1_000))

    def real_timeout_s(self, plant_s: float) -> float:
        """See ``Clock``."""
        return plant_s

    def real_pause_s(self, plant_s: float) -> float:
        """See ``Clock``."""
        return plant_s

    def scanned(self, monotonic_ms: int) -> None:
        """Remembered in ``scanned_ms``."""
        self.scanned_ms = monotonic_ms

    def close(self) -> None:
        """Nothing is held open."""

    def _next_due_ms(self) -> int | None:
        while self._waiters and self._waiters[0].woken.done():
            heapq.heappop(self._waiters)
        return self._waiters[0].due_ms if self._waiters else None
