"""``python -m simulator`` as a process: ready, controlled, read, stopped."""

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pyModbusTCP.client import ModbusClient

from gateway.local.clockpage import unpack_plant
from simulator import demo
from simulator.__main__ import main

LIMIT_S = 20.0


def until(condition: Callable[[], bool], what: str) -> None:
    """Look again and again until it is so."""
    deadline = time.monotonic() + LIMIT_S
    while not condition():
        assert time.monotonic() < deadline, f"not within {LIMIT_S} s: {what}"
        select.select([], [], [], 0.02)


class Run:
    """A simulator process in a folder."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        self.folder = folder
        command = [sys.executable, "-m", "simulator", "--ports", "free", "--folder", str(folder), *arguments]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)

    def ready(self) -> dict[str, Any]:
        until(lambda: (self.folder / "plant.json").exists() or self.process.poll() is not None, "ready")
        described: dict[str, Any] = json.loads((self.folder / "plant.json").read_text(encoding="utf-8"))
        return described

    def order(self, **order: object) -> dict[str, Any]:
        with socket.socket(socket.AF_UNIX) as line:
            line.settimeout(LIMIT_S)
            line.connect(str(self.folder / "control.sock"))
            line.sendall(json.dumps(order).encode() + b"\n")
            reply: dict[str, Any] = json.loads(line.makefile().readline())
        return reply

    def stop(self, number: int = signal.SIGTERM) -> str:
        self.process.send_signal(number)
        out, _ = self.process.communicate(timeout=LIMIT_S)
        return out


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    started = Run(tmp_path, "--event", "E01", "--rate", "60", "--truth-every", "60")
    yield started
    if started.process.poll() is None:
        started.process.kill()
    started.process.communicate()


def test_it_describes_itself_when_it_is_ready(run: Run) -> None:
    described = run.ready()
    assert described["event"] == "E01"
    assert described["start"] == "2025-02-26 09:00:00"
    assert set(described["ports"]) == {"COM1", "COM2", "PC1", "UV1", "OZ1", "RI1"}
    page = unpack_plant(memoryview(Path(described["page"]).read_bytes()))
    assert page.rate == 60.0
    assert page.utc_ms == 1_740_556_800_000
    assert described["strikes_utc_ms"] == page.utc_ms + 3_600_000


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_stops_cleanly_and_takes_its_files_away(run: Run, number: int) -> None:
    run.ready()
    out = run.stop(number)
    assert run.process.returncode == 0
    assert out.splitlines()[-1] == "plant stopped"
    assert "Traceback" not in out
    assert sorted(path.name for path in run.folder.iterdir()) == []


def test_it_tells_the_truth_and_runs_at_the_rate_it_is_told(run: Run) -> None:
    run.ready()
    until(lambda: bool(run.order(do="truth")["utc_ms"] > 1_740_556_800_000 + 30_000), "plant time passes")
    assert run.order(do="rate", rate=600) == {"ok": True}
    until(lambda: bool(run.order(do="truth")["since_event_s"] > 60), "the event strikes")
    true = run.order(do="truth")
    assert true["tap_peak_ntu"] == pytest.approx(12.7, abs=0.2)
    assert true["out_of_limits_into_tank_l"] == 0
    out = run.stop()
    assert "E01 strikes" in out
    assert "true: tap" in out


def test_writes_reach_the_valve_and_faults_reach_the_servers(run: Run) -> None:
    ports = run.ready()["ports"]
    controller = ModbusClient(host="127.0.0.1", port=ports["PC1"], unit_id=1, timeout=2.0)
    block = ModbusClient(host="127.0.0.1", port=ports["RI1"], unit_id=7, timeout=2.0)
    beat = iter(range(1, 100_000))

    def proven_product() -> bool:
        controller.write_multiple_registers(320, [next(beat), 42405, 0, 0])
        return bool(block.read_discrete_inputs(0, 2) == [True, False])

    until(proven_product, "the valve stands at product")
    assert run.order(do="set", what="stuck", name="XV-901")["ok"]
    controller.write_multiple_registers(320, [next(beat), 0, 0, 0])
    until(lambda: controller.read_coils(0, 1) == [False], "the solenoid drops")
    before = run.order(do="truth")["since_event_s"]
    until(lambda: bool(run.order(do="truth")["since_event_s"] > before + 30), "more than a stroke passes")
    assert block.read_discrete_inputs(0, 2) == [True, False]
    assert run.order(do="set", what="stuck", name="XV-901", on=False)["ok"]
    until(lambda: block.read_discrete_inputs(0, 2) == [False, True], "the valve springs to divert")
    assert run.order(do="set", what="silent", name="RI1")["ok"]
    block.timeout = 0.3
    assert block.read_discrete_inputs(0, 2) is None
    assert run.order(do="set", what="mains_lost")["ok"]
    until(lambda: controller.read_holding_registers(301, 1) == [0b111], "mains shown in the cause")
    controller.close()
    block.close()


BAD_ORDERS: list[tuple[dict[str, object], str]] = [
    ({"do": "dance"}, "cannot do"),
    ({"do": "rate", "rate": 0}, "must be above 0"),
    ({"do": "event", "name": "E99"}, "no event"),
    ({"do": "set", "what": "weather"}, "cannot set"),
    ({"do": "set", "what": "silent", "name": "XX1"}, "devices are"),
    ({"do": "set", "what": "forced", "name": "AIT-801", "value": "much"}, "could not convert"),
]


def test_orders_that_make_no_sense_are_refused_and_the_run_goes_on(run: Run) -> None:
    run.ready()
    for order, says in BAD_ORDERS:
        reply = run.order(**order)
        assert reply["ok"] is False
        assert says in reply["error"]
    assert run.order(do="truth")["ok"]


def test_it_ends_by_itself_after_the_minutes_it_was_given(tmp_path: Path) -> None:
    ended = Run(tmp_path, "--rate", "600", "--minutes", "10", "--stand-in", "--start", "2025-02-04 12:00")
    out, _ = ended.process.communicate(timeout=LIMIT_S)
    assert ended.process.returncode == 0
    assert "XV-901 proven at product" in out


def test_a_port_that_is_taken_is_said_and_not_a_traceback(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        with contextlib.suppress(OSError):  # then somebody else has it, which is as good
            taken.bind(("127.0.0.1", 15011))
            taken.listen()
        done = subprocess.run(
            [sys.executable, "-m", "simulator", "--ports", "fixed", "--folder", str(tmp_path)],
            capture_output=True,
            text=True,
            timeout=LIMIT_S,
            check=False,
        )
    assert done.returncode == 3
    assert "cannot start" in done.stderr
    assert "Traceback" not in done.stderr


def test_it_costs_well_under_half_a_core_at_sixty(run: Run) -> None:
    run.ready()
    pid, begun = run.process.pid, time.monotonic()
    before_s = cpu_s(pid)
    until(lambda: time.monotonic() - begun > 3, "three seconds")
    assert (cpu_s(pid) - before_s) / (time.monotonic() - begun) < 0.3


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--event", "E17"], "20 is the most"),
        (["--event", "E09", "--rate", "20.1"], "too fast"),
    ],
)
def test_what_cannot_be_played_is_refused_in_a_sentence(
    arguments: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*arguments, "--folder", str(tmp_path / "plant")]) == 3
    said = capsys.readouterr().err
    assert says in said
    assert len(said.splitlines()) == 1
    assert not (tmp_path / "plant").exists()


def test_the_demo_refuses_a_rate_at_which_silence_cannot_be_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["simulator.demo", "E17", "--rate", "60"])
    assert demo.main() == 3
    assert "20 is the most" in capsys.readouterr().err


def test_a_line_can_be_cut_by_hand_and_a_device_slowed(run: Run) -> None:
    port = run.ready()["ports"]["COM2"]
    assert run.order(do="set", what="lines", name="COM9")["error"].endswith("COM1, UV1, OZ1, COM2, RI1, PC1")
    assert run.order(do="set", what="lines", name="COM2")["ok"]
    with socket.create_connection(("127.0.0.1", port), timeout=LIMIT_S) as line:
        line.sendall(bytes.fromhex("290300000002c223"))
        line.settimeout(0.3)
        with pytest.raises(TimeoutError):
            line.recv(16)
        assert run.order(do="set", what="lines", name="COM2", on=False)["ok"]
        line.settimeout(LIMIT_S)
        line.sendall(bytes.fromhex("290300000002c223"))
        assert line.recv(16)[:3] == bytes.fromhex("290304")
    assert run.order(do="set", what="slow", name="FM1", value=3.0)["ok"]
    assert run.order(do="set", what="byte_orders", name="AN1", value="DCBA")["ok"]
    assert not run.order(do="set", what="byte_orders", name="AN1", value="ABDC")["ok"]
    assert run.order(do="set", what="reset")["ok"]
