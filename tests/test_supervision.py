"""Real child processes: started, watched, started again, and stopped in order with nothing left behind."""

import asyncio
import logging
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest

from gateway.supervision import Child, RestartRule, Supervisor

LIMIT_S = 30.0
QUICK = RestartRule(first_s=0.05, ceiling_s=0.2, steady_after_s=60.0)

PRELUDE = """
import os, signal, subprocess, sys, time
from pathlib import Path
log = Path(sys.argv[1])
name = sys.argv[2]
def note(what):
    with log.open("a") as file:
        file.write(f"{time.monotonic():.3f} {name} {what}\\n")
"""
CRASHES = 'note("started"); sys.exit(1)'
SERVES = """
def end(*_):
    note("told")
    time.sleep(0.3)
    note("stopped")
    sys.exit(0)
signal.signal(signal.SIGTERM, end)
note("started")
while True:
    signal.pause()
"""
DEAF = """
signal.signal(signal.SIGTERM, signal.SIG_IGN)
note("started")
while True:
    signal.pause()
"""
ACCEPTS = """
sys.path.insert(0, sys.argv[3])
from gateway.starting import say_accepted
note("accepted")
say_accepted()
"""
STILL_LOADS = """
note("started")
while True:
    signal.pause()
"""
LEAVES_A_CHILD = """
left = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
note(f"left {left.pid}")
"""


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log"
    path.touch()
    return path


def child(
    log: Path,
    name: str,
    script: str,
    *,
    stop_within_s: float = LIMIT_S,
    final: int | None = None,
    accepts_within_s: float = 0.0,
) -> Child:
    codes = frozenset() if final is None else frozenset({final})
    command = (sys.executable, "-c", PRELUDE + script, str(log), name, str(Path(__file__).parents[1]))
    return Child(
        name=name,
        command=command,
        stop_within_s=stop_within_s,
        final_codes=codes,
        accepts_within_s=accepts_within_s,
    )


def noted(log: Path) -> list[str]:
    return [line.split(" ", 1)[1] for line in log.read_text(encoding="ascii").splitlines()]


def times(log: Path) -> list[float]:
    return [float(line.split(" ", 1)[0]) for line in log.read_text(encoding="ascii").splitlines()]


def has(log: Path, *lines: str) -> Callable[[], bool]:
    return lambda: set(lines) <= set(noted(log))


async def wait_for(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(LIMIT_S):
        while not condition():  # noqa: ASYNC110 - a file written by another process
            await asyncio.sleep(0.01)


def supervised(
    children: list[Child], until: Callable[[], bool], *, environment: dict[str, str] | None = None
) -> tuple[int, float]:
    """Run a supervisor in this process until a condition holds; its exit code, and how long the stop took."""

    async def run() -> tuple[int, float]:
        supervisor = Supervisor(children, restart=QUICK, environment=environment)
        running = asyncio.ensure_future(supervisor.run())
        await wait_for(lambda: running.done() or until())
        began_s = time.monotonic()
        supervisor.stop()
        code = await asyncio.wait_for(running, timeout=2 * LIMIT_S)
        return code, time.monotonic() - began_s

    return asyncio.run(run())


HARNESS = """
import logging, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from test_supervision import child, LEAVES_A_CHILD, SERVES
from gateway.supervision import supervise
logging.basicConfig(level=logging.INFO)
log = Path(sys.argv[2])
field = child(log, "field", LEAVES_A_CHILD + SERVES)
uplink = child(log, "uplink", 'print("hello", flush=True)' + SERVES)
sys.exit(supervise([field, uplink]))
"""


@contextmanager
def supervisor_process(log: Path) -> Iterator["subprocess.Popen[str]"]:
    """A supervisor of two children as a process of its own."""
    command = [sys.executable, "-c", HARNESS, str(Path(__file__).parent), str(log)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def is_gone(pid: int) -> bool:
    """Whether a process has ended; one that nobody has collected yet counts as ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()[0] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_stops_the_field_process_first_and_then_the_uplink_and_leaves_no_orphan(
    log: Path, number: signal.Signals
) -> None:
    with supervisor_process(log) as process:
        asyncio.run(wait_for(has(log, "field started", "uplink started")))
        process.send_signal(number)
        output, errors = process.communicate(timeout=LIMIT_S)
        assert process.returncode == 0, errors
    lines = noted(log)
    assert lines[-4:] == ["field told", "field stopped", "uplink told", "uplink stopped"]
    assert "hello" in output, "what a child prints is passed through"
    left = next(int(line.rsplit(" ", 1)[1]) for line in lines if line.startswith("field left"))
    asyncio.run(wait_for(lambda: is_gone(left)))


def test_ctrl_c_in_a_terminal_does_not_reach_the_children_themselves(log: Path) -> None:
    with supervisor_process(log) as process:
        asyncio.run(wait_for(has(log, "field started", "uplink started")))
        left = next(int(line.rsplit(" ", 1)[1]) for line in noted(log) if line.startswith("field left"))
        assert os.getpgid(left) != os.getpgid(process.pid)
        assert os.getsid(left) != os.getsid(process.pid)
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=LIMIT_S)


def test_a_child_that_crashes_is_started_again_after_a_growing_delay(log: Path) -> None:
    steady = child(log, "uplink", SERVES)
    supervised([child(log, "field", CRASHES), steady], lambda: noted(log).count("field started") >= 5)
    starts = [at for at, line in zip(times(log), noted(log), strict=True) if line == "field started"]
    gaps = [later - earlier for earlier, later in pairwise(starts)]
    for gap_s, delay_s in zip(gaps, (0.05, 0.1, 0.2, 0.2), strict=False):
        assert gap_s >= delay_s * 0.8 - 0.001
    assert noted(log).count("uplink started") == 1


def test_a_child_killed_from_outside_is_started_again(log: Path) -> None:
    kills_itself_once = """
if not any("field killed" in line for line in log.read_text().splitlines()):
    note("killed")
    os.kill(os.getpid(), signal.SIGKILL)
"""
    code, _ = supervised([child(log, "field", kills_itself_once + SERVES)], has(log, "field started"))
    assert noted(log) == ["field killed", "field started", "field told", "field stopped"]
    assert code == 0


def test_a_child_that_ran_long_enough_starts_again_after_the_first_delay(
    log: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)

    async def run() -> None:
        rule = RestartRule(first_s=0.05, ceiling_s=60.0, steady_after_s=0.01)
        supervisor = Supervisor([child(log, "field", CRASHES)], restart=rule)
        running = asyncio.ensure_future(supervisor.run())
        await wait_for(lambda: noted(log).count("field started") >= 4)
        supervisor.stop()
        await running

    asyncio.run(run())
    delays = [float(found) for found in re.findall(r"started again in ([0-9.]+) s", caplog.text)]
    assert len(delays) >= 3
    assert all(delay_s <= 0.1 for delay_s in delays)


def test_a_stop_during_the_delay_does_not_wait_for_it(log: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)

    async def run() -> int:
        supervisor = Supervisor([child(log, "field", CRASHES)], restart=RestartRule(first_s=600.0))
        running = asyncio.ensure_future(supervisor.run())
        await wait_for(lambda: "started again in" in caplog.text)
        supervisor.stop()
        return await asyncio.wait_for(running, timeout=LIMIT_S)

    assert asyncio.run(run()) == 0
    assert noted(log) == ["field started"]


def test_a_child_that_does_not_stop_in_time_is_killed_and_the_next_still_stops_in_order(log: Path) -> None:
    children = [child(log, "field", DEAF, stop_within_s=0.3), child(log, "uplink", SERVES)]
    code, took_s = supervised(children, has(log, "field started", "uplink started"))
    assert code == 128 + signal.SIGKILL
    assert noted(log)[-2:] == ["uplink told", "uplink stopped"]
    assert took_s < LIMIT_S / 2


def test_a_child_that_took_no_signals_yet_has_ended_as_it_was_told(log: Path) -> None:
    children = [child(log, "field", SERVES), child(log, "uplink", STILL_LOADS)]
    code, _ = supervised(children, has(log, "field started", "uplink started"))
    assert code == 0
    assert noted(log)[-2:] == ["field told", "field stopped"]


def test_a_final_exit_code_stops_everything_and_becomes_ours(log: Path) -> None:
    children = [child(log, "field", "sys.exit(3)", final=3), child(log, "uplink", SERVES)]
    code, _ = supervised(children, lambda: False)
    assert code == 3
    assert "uplink stopped" in noted(log) or "uplink started" not in noted(log)


def test_where_the_first_child_refuses_its_configuration_the_next_is_never_started(log: Path) -> None:
    refuses = child(log, "field", 'note("refused"); sys.exit(3)', final=3, accepts_within_s=LIMIT_S)
    code, _ = supervised([refuses, child(log, "uplink", SERVES)], lambda: False)
    assert code == 3
    assert noted(log) == ["field refused"]


def test_the_next_child_starts_once_the_first_has_accepted_its_configuration(log: Path) -> None:
    accepts = child(log, "field", ACCEPTS + SERVES, accepts_within_s=LIMIT_S)
    code, _ = supervised([accepts, child(log, "uplink", SERVES)], has(log, "field started", "uplink started"))
    assert code == 0
    assert noted(log).index("field accepted") < noted(log).index("uplink started")


def test_the_next_child_starts_when_the_first_has_ended_for_another_reason(log: Path) -> None:
    crashes = child(log, "field", CRASHES, final=3, accepts_within_s=LIMIT_S)
    supervised([crashes, child(log, "uplink", SERVES)], has(log, "uplink started"))
    assert noted(log)[0] == "field started"


def test_the_next_child_does_not_wait_for_ever(log: Path) -> None:
    silent = child(log, "field", SERVES, accepts_within_s=0.2)
    code, _ = supervised([silent, child(log, "uplink", SERVES)], has(log, "field started", "uplink started"))
    assert code == 0


def test_a_stop_while_the_next_child_waits_is_not_delayed_by_it(log: Path) -> None:
    silent = child(log, "field", SERVES, accepts_within_s=600.0)
    code, took_s = supervised([silent, child(log, "uplink", SERVES)], has(log, "field started"))
    assert code == 0
    assert noted(log) == ["field started", "field told", "field stopped"]
    assert took_s < LIMIT_S


def test_only_the_first_start_of_a_child_is_listened_to(log: Path) -> None:
    asks = 'note("asked" if "PURPLEGATE_ACCEPTED_FD" in os.environ else "alone")\n'
    crashes = child(log, "field", asks + "sys.exit(1)", accepts_within_s=LIMIT_S)
    supervised([crashes], lambda: len(noted(log)) >= 2)
    assert noted(log)[:2] == ["field asked", "field alone"]


def test_a_command_that_cannot_be_started_is_an_error_and_what_ran_before_it_is_stopped(log: Path) -> None:
    broken = Child(name="uplink", command=(str(log.parent / "no-such-program"),))

    async def run() -> None:
        await Supervisor([child(log, "field", SERVES), broken], restart=QUICK).run()

    with pytest.raises(FileNotFoundError, match="no-such-program"):
        asyncio.run(run())
    assert "field started" not in noted(log) or "field stopped" in noted(log)


def test_the_service_manager_hears_ready_watchdog_and_stopping_and_the_children_do_not_know_it(
    log: Path, tmp_path: Path
) -> None:
    address = tmp_path / "notify"
    asks = 'note("knows" if any(key in os.environ for key in ("NOTIFY_SOCKET", "WATCHDOG_USEC")) else "ignorant")'
    environment = dict(os.environ) | {"NOTIFY_SOCKET": str(address), "WATCHDOG_USEC": "100000"}
    heard: list[str] = []

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.setblocking(False)

        def heard_enough() -> bool:
            heard.extend(received(manager))
            return heard.count("WATCHDOG=1") >= 3 and "field started" in noted(log)

        code, _ = supervised([child(log, "field", asks + "\n" + SERVES)], heard_enough, environment=environment)
        heard.extend(received(manager))
    assert code == 0
    assert heard[0] == "READY=1"
    assert heard[-1] == "STOPPING=1"
    assert set(heard[1:-1]) == {"WATCHDOG=1"}
    assert "field ignorant" in noted(log)


def received(manager: socket.socket) -> list[str]:
    messages = []
    while True:
        try:
            messages.append(manager.recv(100).decode("ascii"))
        except BlockingIOError:
            return messages


def test_a_service_manager_that_is_gone_does_not_stop_the_plant(log: Path, tmp_path: Path) -> None:
    environment = dict(os.environ) | {"NOTIFY_SOCKET": str(tmp_path / "nobody"), "WATCHDOG_USEC": "20000"}
    code, _ = supervised([child(log, "field", SERVES)], has(log, "field started"), environment=environment)
    assert code == 0
    assert "field stopped" in noted(log)
