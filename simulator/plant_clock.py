"""Owner of the plant's clock: writes the page that everybody else reads.

Runs at a rate that may change at any moment, and stands still while a live
field process cannot keep up, so that a slow machine shows as a slow plant and
not as a gateway that misses its times. Only a live field process can hold it:
life is the lock it holds on its own page, and a dead one never stops time.
"""

import fcntl
import mmap
import os
import time
from collections.abc import Callable
from pathlib import Path

from gateway.local.clockpage import LAG_SIZE, PLANT_SIZE, PlantPage, TornPage, pack_plant, unpack_lag

FIRST_MS = 1_000_000  # monotonic plant time at the start; not zero, which an unwritten page shows
LAG_MS = 2_000
PROBE_EVERY_NS = 200_000_000
HOLD_MOST_NS = 20_000_000_000
_SEQUENCE_BYTES = 8


class PlantClock:
    """The clock of one run.

    Args:
        page: file to create; its directory exists.
        start_utc_ms: plant time, UTC, at the start.
        rate: plant seconds a second.
        say: is told when the plant waits and runs on.
        machine_ns: monotonic nanoseconds of the machine.
    """

    def __init__(
        self,
        page: Path,
        *,
        start_utc_ms: int,
        rate: float,
        say: Callable[[str], None] = print,
        machine_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self.page = page
        self.rate = rate
        self._say = say
        self._machine_ns = machine_ns
        self._sequence = 0
        self._anchor = PlantPage(anchor_ns=machine_ns(), plant_ms=FIRST_MS, utc_ms=start_utc_ms, rate=rate)
        self._held_since_ns: int | None = None
        self._gave_up_on_ms: int | None = None
        self._probed_ns: int | None = None
        self._alive = False
        self._inherited_ms: int | None = None
        self._shared = _created(page)
        self._publish()

    @property
    def held(self) -> bool:
        """The plant waits for the field process."""
        return self._held_since_ns is not None

    @property
    def lag_page(self) -> Path:
        """Where the field process writes the plant time of its last scan, and holds its lock."""
        return self.page.with_name(self.page.name + ".lag")

    def now_ms(self) -> int:
        """Monotonic plant milliseconds."""
        return self._anchor.now_ms(self._machine_ns())

    def set_rate(self, rate: float) -> None:
        """Run at another rate from now on; a held clock takes it up when it runs on.

        Args:
            rate: plant seconds a second, above 0.

        Raises:
            ValueError: not above 0.
        """
        if rate <= 0:
            raise ValueError(f"rate {rate} plant seconds a second; it must be above 0")
        self.rate = rate
        if not self.held:
            self._anchor_at(rate)

    def watch(self) -> None:
        """Hold the clock while a live field process lags, let it run otherwise. To be called often."""
        self._probe(every_ns=PROBE_EVERY_NS)
        late_ms = self._late_scan_ms()
        if late_ms is None:
            self._run_on()
        elif self._held_since_ns is None:
            self._hold(late_ms)
        elif self._machine_ns() - self._held_since_ns > HOLD_MOST_NS:
            self._give_up(late_ms)

    def close(self) -> None:
        """Take the page away."""
        self._shared.close()
        self.page.unlink(missing_ok=True)

    def _probe(self, *, every_ns: int) -> None:
        """Notice whether a field process lives, and when a new one has come up, what its predecessor left."""
        now_ns = self._machine_ns()
        if self._probed_ns is not None and now_ns - self._probed_ns < every_ns:
            return
        self._probed_ns = now_ns
        alive = _locked(self.lag_page)
        if alive and not self._alive:
            self._inherited_ms = _scanned_ms(self.lag_page)
        self._alive = alive

    def _late_scan_ms(self) -> int | None:
        """Last scan of a live field process that lags; None when there is nothing to wait for."""
        scanned_ms = _scanned_ms(self.lag_page)
        no_scan_yet = scanned_ms is None or scanned_ms == self._inherited_ms
        if not self._alive or scanned_ms is None or no_scan_yet or self.now_ms() - scanned_ms <= LAG_MS:
            return None
        return None if scanned_ms == self._gave_up_on_ms else scanned_ms

    def _hold(self, late_ms: int) -> None:
        self._probe(every_ns=0)
        if not self._alive:
            return
        self._held_since_ns = self._machine_ns()
        self._anchor_at(0.0)
        behind_s = (self.now_ms() - late_ms) / 1_000
        self._say(f"plant waits: the field process is {behind_s:.1f} plant seconds behind")

    def _run_on(self) -> None:
        if self._held_since_ns is None:
            return
        waited_s = (self._machine_ns() - self._held_since_ns) / 1e9
        self._held_since_ns = None
        self._anchor_at(self.rate)
        self._say(f"plant runs on after {waited_s:.1f} s")

    def _give_up(self, late_ms: int) -> None:
        """A field process that does not scan for so long hangs; a plant would not wait for that."""
        self._gave_up_on_ms = late_ms
        self._say(f"plant waits no longer: the field process has not scanned for {HOLD_MOST_NS / 1e9:.0f} s")
        self._run_on()

    def _anchor_at(self, rate: float) -> None:
        """Go on from now at a rate, without a jump."""
        now_ns = self._machine_ns()
        now_ms = self._anchor.now_ms(now_ns)
        utc_ms = self._anchor.utc_ms + now_ms - self._anchor.plant_ms
        self._anchor = PlantPage(anchor_ns=now_ns, plant_ms=now_ms, utc_ms=utc_ms, rate=rate)
        self._publish()

    def _publish(self) -> None:
        """Last sequence number first, first one last: who reads from front to back never takes half a page."""
        self._sequence += 1
        page = pack_plant(self._anchor, self._sequence)
        self._shared[-_SEQUENCE_BYTES:] = page[-_SEQUENCE_BYTES:]
        self._shared[_SEQUENCE_BYTES:-_SEQUENCE_BYTES] = page[_SEQUENCE_BYTES:-_SEQUENCE_BYTES]
        self._shared[:_SEQUENCE_BYTES] = page[:_SEQUENCE_BYTES]


def _created(page: Path) -> mmap.mmap:
    """A new zeroed page; one that another process still has mapped is left to it."""
    page.unlink(missing_ok=True)
    page.write_bytes(bytes(PLANT_SIZE))
    with page.open("r+b") as file:
        return mmap.mmap(file.fileno(), PLANT_SIZE)


def _locked(lag_page: Path) -> bool:
    """Whether a field process holds its lock."""
    try:
        handle = os.open(lag_page, os.O_RDONLY)
    except FileNotFoundError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)  # lets go of the lock, if it was taken
    return False


def _scanned_ms(lag_page: Path) -> int | None:
    """Plant time of the last scan; None while none is written, or it is being written just now."""
    try:
        written = lag_page.read_bytes()
        return unpack_lag(memoryview(written)) if len(written) >= LAG_SIZE else None
    except (FileNotFoundError, TornPage):
        return None
