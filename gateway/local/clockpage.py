"""Plant time of a simulated site, shared through one small file. Pure: bytes to values and back.

The simulator owns the clock and writes the page; everybody else reads it. A
page says: at monotonic machine time ``anchor_ns`` the plant showed
``plant_ms`` (monotonic) and ``utc_ms``; since then it runs at ``rate`` plant
seconds a second, or stands still at rate 0 while the plant waits for a field
process that lags. The field process writes a page of its own with the plant
time of its last scan. A sequence number before and after guards against
reading half a page.
"""

import struct
from dataclasses import dataclass

_PLANT = struct.Struct("<QqqqdQ")
_LAG = struct.Struct("<QqQ")
PLANT_SIZE = _PLANT.size
LAG_SIZE = _LAG.size
_ATTEMPTS = 1_000


class TornPage(Exception):  # noqa: N818 - named for what is the case
    """The page was being written at every attempt; its writer is stuck or the file is damaged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantPage:
    """The simulator's clock."""

    anchor_ns: int
    plant_ms: int
    utc_ms: int
    rate: float

    def now_ms(self, machine_ns: int) -> int:
        """Monotonic plant milliseconds at a machine time (``time.monotonic_ns``)."""
        return self.plant_ms + int((machine_ns - self.anchor_ns) * self.rate / 1e6)


def pack_plant(page: PlantPage, sequence: int) -> bytes:
    """Bytes of a page."""
    return _PLANT.pack(sequence, page.anchor_ns, page.plant_ms, page.utc_ms, page.rate, sequence)


def unpack_plant(read: "memoryview") -> PlantPage:
    """The page in a shared buffer.

    Raises:
        TornPage: no whole page was seen in a thousand attempts.
    """
    for _ in range(_ATTEMPTS):
        before, anchor_ns, plant_ms, utc_ms, rate, after = _PLANT.unpack(bytes(read[:PLANT_SIZE]))
        if before == after and before:
            return PlantPage(anchor_ns=anchor_ns, plant_ms=plant_ms, utc_ms=utc_ms, rate=rate)
    raise TornPage("the clock page of the simulated plant is damaged or its writer stopped in the middle of it")


def pack_lag(*, scanned_ms: int, sequence: int) -> bytes:
    """Bytes of the field process's page: plant time of its last finished scan."""
    return _LAG.pack(sequence, scanned_ms, sequence)


def unpack_lag(read: "memoryview") -> int:
    """Plant milliseconds of the field process's last finished scan.

    Raises:
        TornPage: no whole page was seen in a thousand attempts.
    """
    for _ in range(_ATTEMPTS):
        before, scanned_ms, after = _LAG.unpack(bytes(read[:LAG_SIZE]))
        if before == after:
            return int(scanned_ms)
    raise TornPage("the field process's clock page is damaged")
