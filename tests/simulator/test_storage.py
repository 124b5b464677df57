"""A process whose files take nothing: from outside, while it runs, and back again."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from simulator.storage import field_process_of, let_write

WAIT_S = 10.0
WRITER = """\
import logging, sys
logging.basicConfig(filename=sys.argv[2])
for line in sys.stdin:
    try:
        with open(sys.argv[1], "ab", buffering=0) as file:
            file.write(b"x" * 100)
        print("written", flush=True)
    except OSError as error:
        logging.error("cannot write")
        print(error.errno, flush=True)
"""
SUPERVISOR = """\
import subprocess, sys
names = ("uplink", "field")
started = [subprocess.Popen([sys.executable, "-c", "input()", name], stdin=sys.stdin) for name in names]
print(started[1].pid, flush=True)
sys.stdin.read()
"""


def test_writes_to_files_fail_and_succeed_again_and_pipes_go_on_all_the_time(tmp_path: Path) -> None:
    command = [sys.executable, "-c", WRITER, str(tmp_path / "file"), str(tmp_path / "log")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as writer:
        assert asked(writer) == "written"
        let_write(writer.pid, allowed=False)
        assert [asked(writer), asked(writer)] == ["27", "27"], "EFBIG, and a log that fails as well ends nothing"
        let_write(writer.pid, allowed=True)
        assert asked(writer) == "written"
        writer.communicate(timeout=WAIT_S)
    assert writer.returncode == 0
    assert (tmp_path / "file").stat().st_size == 200


def asked(writer: "subprocess.Popen[str]") -> str:
    assert writer.stdin is not None
    assert writer.stdout is not None
    writer.stdin.write("go\n")
    writer.stdin.flush()
    return writer.stdout.readline().strip()


def test_the_field_process_is_the_one_among_the_children_of_its_supervisor() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", SUPERVISOR], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as supervisor:
        assert supervisor.stdout is not None
        field = int(supervisor.stdout.readline())
        until(lambda: field_process_of(supervisor.pid) == field)
        supervisor.communicate(timeout=WAIT_S)
    assert field_process_of(supervisor.pid) is None


def until(holds: Callable[[], bool]) -> None:
    """A child shows its command line a moment after it is there."""
    deadline_s = time.monotonic() + WAIT_S
    while not holds():
        assert time.monotonic() < deadline_s
        time.sleep(0.01)


def test_a_process_that_is_gone_is_nobodys_fault() -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait(WAIT_S)
    let_write(gone.pid, allowed=False)
    assert field_process_of(gone.pid) is None
    assert field_process_of(os.getpid()) is None, "it has no such child"
