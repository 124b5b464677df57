"""The gateway's processes as a bench sees them: started as the command line starts them, and the kernel's figures.

All figures are the kernel's own, of /proc; nothing is asked of the process
that is measured. Every process is ended by whoever started it.
"""

import contextlib
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

PATIENCE_S = 60.0
PROCESSES = ("supervisor", "field process", "uplink")
_COMMANDS = tuple(zip(PROCESSES[1:], ("field", "uplink"), strict=True))
_NS = 1e9
_KIB = 1_024


@contextlib.contextmanager
def scratch_folder() -> Iterator[Path]:
    """A folder on a real disk that is gone afterwards, with a name so short that a socket may lie in it."""
    with tempfile.TemporaryDirectory(prefix="pgb") as made:
        yield Path(made)


@contextlib.contextmanager
def field_process(site: Path, *launcher: str) -> Iterator["subprocess.Popen[bytes]"]:
    """The field process of a site, once its local socket is there.

    Args:
        site: its folder, with the record in ``record``.
        launcher: what follows ``python -m``; the gateway's command line when nothing is said.
    """
    log, socket = site / "field.log", site / "record" / "field.sock"
    with python_process(log, "-m", *(launcher or ("gateway",)), "field", str(site)) as process:
        wait_until(lambda: socket.exists() or process.poll() is not None, "the local socket")
        assert process.poll() is None, f"the field process has ended: {log.read_text(encoding='utf-8')}"
        yield process


@contextlib.contextmanager
def gateway_of(site: Path) -> Iterator[dict[str, int]]:
    """All of a site's gateway: the ids of its processes by ``PROCESSES``, once they all are there."""
    with python_process(site / "gateway.log", "-m", "gateway", "run", str(site)) as supervisor:
        pids: dict[str, int | None] = {PROCESSES[0]: supervisor.pid}

        def all_run() -> bool:
            pids.update((name, child_of(supervisor.pid, command)) for name, command in _COMMANDS)
            return None not in pids.values()

        wait_until(all_run, "field process and uplink")
        yield {name: pid for name, pid in pids.items() if pid is not None}


@contextlib.contextmanager
def python_process(log: Path, *arguments: str) -> Iterator["subprocess.Popen[bytes]"]:
    """``python ARGUMENTS`` for as long as the block lasts; stopped in order, and what it says goes to a file."""
    with log.open("ab") as said:
        process = subprocess.Popen([sys.executable, *arguments], stdin=subprocess.DEVNULL, stdout=said, stderr=said)
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)  # does nothing to a process that has ended and was waited for
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            raise


def wait_until(holds: Callable[[], bool], what: str, *, within_s: float = PATIENCE_S, look_s: float = 0.01) -> None:
    """Wait for a condition.

    Raises:
        AssertionError: with ``what``, when it does not come true in time.
    """
    until_s = time.monotonic() + within_s
    while not holds():
        assert time.monotonic() < until_s, f"{what}: not within {within_s:g} s"
        time.sleep(look_s)


def processor_s(pid: int) -> float:
    """Seconds of processor that the threads of a process have used, in the program and in the kernel for it.

    To the nanosecond, and without threads that have ended: the gateway's stay as long as it does.
    """
    used_ns = 0
    for thread in Path(f"/proc/{pid}/task").iterdir():
        with contextlib.suppress(OSError):  # it has just ended
            used_ns += int((thread / "schedstat").read_text(encoding="utf-8").split()[0])
    return used_ns / _NS


def memory_bytes(pid: int) -> int:
    """Its proportional set size: pages it shares with others count in parts."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) * _KIB for line in lines if line.startswith("Pss:"))


def written_bytes(pid: int | str) -> int:
    """Bytes it has caused to be written to disks, whole pages; less what was taken back before it got there."""
    lines = Path(f"/proc/{pid}/io").read_text(encoding="utf-8").splitlines()
    figures = {name: int(number) for name, _, number in (line.partition(":") for line in lines)}
    return figures["write_bytes"] - figures["cancelled_write_bytes"]


def child_of(pid: int, command: str) -> int | None:
    """The child of a process that runs a command of the gateway: field or uplink."""
    found = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="utf-8").split()
    for child in map(int, found):
        with contextlib.suppress(OSError):  # it has just ended
            words = Path(f"/proc/{child}/cmdline").read_bytes().decode().split("\0")
            if "gateway" in words and command in words:
                return child
    return None
