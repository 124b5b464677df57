"""Memory and file handles of plant and decisions in one process, over days of the direct gear."""

import os
import time
from dataclasses import asdict, dataclass
from pathlib import Path

from gateway.configuration.plant import load_site
from simulator.almanac import HOUR_MS, SECOND_MS
from simulator.direct import DAYS_SCAN_S, DirectRun, month
from simulator.site import DEMO_SITE
from tests.bench.processes import memory_bytes
from tests.soak.flat import Trend, trend_of

LOOK_H = 6
MEMORY_MAY_GAIN = 0.03  # of itself, over the judged time


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectMonth:
    """What was seen.

    Args:
        days: of the plant.
        seconds: it took.
        events: decided in all.
        memory: bytes over plant time.
        handles: at the first look and at the last.
    """

    days: float
    seconds: float
    events: int
    memory: Trend
    handles: tuple[int, int]

    def record(self) -> dict[str, object]:
        """As it is kept."""
        kept = {"memory flat": self.memory.flat, "file handles flat": self.handles[1] <= self.handles[0]}
        return asdict(self) | {"kept": kept}


def direct_month(days: float = 28.0, *, seed: int = 1) -> DirectMonth:
    """February 2025 with all its events, or the first days of it."""
    run = DirectRun(load_site(DEMO_SITE), month(), seed=seed, scan_ms=round(DAYS_SCAN_S * SECOND_MS))
    began_s, pid = time.monotonic(), os.getpid()
    events, hours = 0, list[float]()
    memory, handles = list[float](), list[int]()
    for look in range(1, round(days * 24 / LOOK_H) + 1):
        run.run_to(run.plant.started_ms + look * LOOK_H * HOUR_MS)
        events += len(run.told)
        run.told.clear()  # kept to be shown at the end of a run, and no part of the gateway
        hours.append(look * LOOK_H)
        memory.append(memory_bytes(pid))
        handles.append(len(list(Path(f"/proc/{pid}/fd").iterdir())))
    trend = trend_of([3_600 * at for at in hours], memory, allowed=MEMORY_MAY_GAIN * max(memory))
    return DirectMonth(
        days=days,
        seconds=round(time.monotonic() - began_s, 1),
        events=events,
        memory=trend,
        handles=(handles[0], handles[-1]),
    )
