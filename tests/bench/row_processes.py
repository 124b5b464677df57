"""Row g: what the gateway's processes take of the machine, and how soon the first safe write is out.

The demo site at rate 1 beside the simulated plant, everything on the machine's
clock, as at a plant. Processor and memory are the kernel's figures of each
process; memory that processes share counts in parts. The first safe write is
the one that withdraws the permission, seen on its way to the controller.
"""

import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from tests.bench.demo_plant import Writes, demo_site
from tests.bench.frame import Figure, Goal, Scale
from tests.bench.processes import (
    PROCESSES,
    gateway_of,
    memory_bytes,
    processor_s,
    python_process,
    scratch_folder,
    wait_until,
)
from tests.mosquitto import broker

_SETTLES_S, _SETTLES_SHORT_S = 5.0, 1.0  # loading and connecting are over; the first minute of readings is not
_WINDOW_S, _WINDOW_SHORT_S = 12.0, 2.0
_MB = 1_000_000
_PERCENT = 100.0
_IMPORT = """
import time
began = time.perf_counter()
import gateway.assembly.field_process
print(time.perf_counter() - began)
"""


def measure(scale: Scale) -> Sequence[Figure]:
    """One run for processor and memory, then as many starts as there are rounds."""
    with scratch_folder() as folder, broker(folder) as office, demo_site(folder, office.port) as (site, writes):
        settles_s, window_s = (_SETTLES_SHORT_S, _WINDOW_SHORT_S) if scale.short else (_SETTLES_S, _WINDOW_S)
        started = [_started_s(folder, site, writes) for _ in range(scale.rounds)]
        used = _used(site, settles_s, window_s, scale.rounds)
    imports = [_import_s() for _ in range(scale.rounds)]
    said = f"windows of {window_s:g} s, from {settles_s:g} s after the start; per cent of one core"
    return [
        *(_processor(name, used.processor[name]) for name in PROCESSES[1:]),
        _processor("all processes together", _together(used.processor), Goal(at_most=10.0), said),
        *(_memory(name, used.memory[name]) for name in PROCESSES),
        _memory("all processes together", _together(used.memory), Goal(at_most=180.0)),
        Figure(
            name="start to first safe write",
            unit="s",
            gateway=started,
            goal=Goal(at_most=3.0),
            remark="from the command, files in the page cache",
        ),
        Figure(name="import of the field process", unit="s", gateway=imports, goal=Goal(at_most=0.5)),
    ]


class _Used:
    """Per cent of a core and megabytes, of each process in each window."""

    def __init__(self) -> None:
        self.processor: dict[str, list[float]] = {name: [] for name in PROCESSES}
        self.memory: dict[str, list[float]] = {name: [] for name in PROCESSES}


def _used(site: Path, settles_s: float, window_s: float, rounds: int) -> _Used:
    used = _Used()
    with gateway_of(site) as pids:
        time.sleep(settles_s)
        for _ in range(rounds):
            before = {name: processor_s(pid) for name, pid in pids.items()}
            began_s = time.monotonic()
            time.sleep(window_s)
            took_s = time.monotonic() - began_s
            for name, pid in pids.items():
                used.processor[name].append((processor_s(pid) - before[name]) / took_s * _PERCENT)
                used.memory[name].append(memory_bytes(pid) / _MB)
    return used


def _started_s(folder: Path, site: Path, writes: Writes) -> float:
    """Seconds from the command to the first safe write."""
    writes.safe_s.clear()
    began_s = time.monotonic()
    with python_process(folder / "gateway.log", "-m", "gateway", "run", str(site)):
        wait_until(lambda: bool(writes.safe_s), "the first safe write")
    return writes.safe_s[0] - began_s


def _import_s() -> float:
    """Seconds to load all of the field process, by a fresh interpreter that is itself loaded already."""
    command = [sys.executable, "-c", _IMPORT]
    return float(subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout)


def _together(each: dict[str, list[float]]) -> list[float]:
    return [sum(window) for window in zip(*each.values(), strict=True)]


def _processor(name: str, used: Sequence[float], goal: Goal | None = None, remark: str = "") -> Figure:
    return Figure(name=f"processor, {name}", unit="% of a core", gateway=used, goal=goal, remark=remark)


def _memory(name: str, used: Sequence[float], goal: Goal | None = None) -> Figure:
    return Figure(name=f"memory (PSS), {name}", unit="MB", gateway=used, goal=goal)
