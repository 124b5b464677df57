"""The commands about alarms against a real field process whose devices are all silent, and its record afterwards."""

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from gateway.cli import main
from gateway.local.clockpage import PlantPage, pack_plant
from tests.site_copy import alarm_is, clock_is, nobody_answers, operator_is

MARROWFELL = Path(__file__).parents[1] / "config" / "marrowfell"
WAIT_S = 60.0
UTC_MS = 1_738_800_000_000
RATE = 5.0  # plant seconds a second
ALARM = "TEST-SILENT"
KEYS: dict[str, Any] = {
    "condition": {"bad_quality": {"tag": "AIT-510"}},
    "priority": "P2",
    "says": "nobody answers",
    "cause": "a test",
    "consequence": "a line in the journal",
    "action": "look at the journal",
    "respond_within_min": 60,
    "max_shelve_s": 7_200,
}


def say(site: Path, *command: str) -> tuple[int, str]:
    """A command, its exit code and everything it says."""
    result = CliRunner().invoke(main, [*command, "--site", str(site)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


def on_record(*command: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(word) for word in command])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


def until(holds: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + WAIT_S
    while not holds():
        assert time.monotonic() < end, f"not within {WAIT_S:g} s: {what}"
        time.sleep(0.2)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = Path(shutil.copytree(MARROWFELL, tmp_path / "site", ignore=shutil.ignore_patterns("record")))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    nobody_answers(folder, port)
    operator_is(folder, os.getuid())
    alarm_is(folder, ALARM, KEYS)
    page = PlantPage(anchor_ns=time.monotonic_ns(), plant_ms=0, utc_ms=UTC_MS, rate=RATE)
    (tmp_path / "clock").write_bytes(pack_plant(page, 1))
    clock_is(folder, tmp_path / "clock")
    return folder


@contextmanager
def running(site: Path) -> Iterator[None]:
    command = (sys.executable, "-m", "gateway", "field", str(site))
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        try:
            until(lambda: process.poll() is not None or say(site, "status")[0] == 0, "the field process answers")
            assert process.poll() is None, on_record("check", site)
            yield
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(WAIT_S)
    assert process.returncode == 0


def refused(said: tuple[int, str], sentence: str) -> None:
    assert said[0] == 1
    assert said[1].startswith("Refused. ")
    assert sentence in said[1]


def test_an_alarm_from_its_onset_to_its_explanation_and_all_of_it_in_the_record(site: Path) -> None:
    with running(site):
        until(lambda: f"P2 {ALARM} #1 active, not acknowledged" in say(site, "alarms")[1], "the alarm")
        _, told = say(site, "alarms", "--state", "unacknowledged")
        assert re.search("action has to begin within (1 h 0|5[0-9]) min", told), told
        _shelve_and_unshelve(site)
        _out_of_service_and_back(site)
        refused(say(site, "acknowledge", ALARM, "--occurrence", "1"), "That is not the newest occurrence")
        assert say(site, "acknowledge", ALARM, "--occurrence", "3")[0] == 0
        refused(say(site, "reset", ALARM), "The cause is still there.")
        refused(say(site, "explain", ALARM, "--occurrence", "9", "--cause", "x"), "has not sounded that often")
        assert say(site, "explain", ALARM, "--cause", "nobody was asked") == (
            0,
            f"Entered for {ALARM}, occurrence 3.\n",
        )
        assert "cause: nobody was asked (VISITOR-OP" in say(site, "failures", "--open")[1]
        assert say(site, "explain", ALARM, "--occurrence", "1", "--action", "none")[0] == 0
        assert f"{ALARM} " not in say(site, "failures", "--open")[1]
        live = say(site, "story", ALARM)
        assert on_record("journal", "verify", site)[0] == 5
    assert live[0] == 0
    code, told = say(site, "story", ALARM)
    assert (code, told) == live, "the record tells what the running process told"
    for words in ("occurrence 3: nobody answers", "acknowledged by VISITOR-OP", "cause: nobody was asked"):
        assert words in told
    assert f"{ALARM},1,P2,nobody answers," in say(site, "failures", "--format", "csv")[1]
    assert on_record("journal", "verify", site)[0] == 0
    code, replayed = on_record("replay", site)
    assert (code, "all the same" in replayed) == (0, True), replayed


def _shelve_and_unshelve(site: Path) -> None:
    refused(say(site, "shelve", ALARM, "--for", "3h", "--reason", "test"), "longer than this one may be put aside")
    assert say(site, "shelve", ALARM, "--for", "1h", "--reason", "cable pulled")[0] == 0
    _, told = say(site, "alarms", "--state", "shelved")
    assert f"{ALARM} #1 shelved" in told
    assert "by VISITOR-OP: cable pulled\n" in told
    refused(say(site, "acknowledge", ALARM), "shelved, suppressed or out of service")
    assert say(site, "unshelve", ALARM) == (0, f"{ALARM} is not shelved any more.\n")
    assert f"{ALARM} #2 active, not acknowledged" in say(site, "alarms")[1]


def _out_of_service_and_back(site: Path) -> None:
    taken = ("take-out-of-service", ALARM, "--reason", "rewiring", "--measure", "read the display each hour")
    assert say(site, *taken) == (0, f"{ALARM} is out of service.\n")
    _, told = say(site, "alarms", "--state", "out-of-service")
    assert "out of service by VISITOR-OP: rewiring\n    meanwhile: read the display each hour\n" in told
    refused(say(site, *taken), "It is so already.")
    assert say(site, "return-to-service", ALARM) == (0, f"{ALARM} is in service.\n")
    assert f"{ALARM} #3 active, not acknowledged" in say(site, "alarms")[1]


def test_a_limit_that_was_changed_between_two_starts_is_journaled_and_the_record_decides_the_same(site: Path) -> None:
    with running(site):
        pass
    alarm_is(site, ALARM, {**KEYS, "priority": "P3", "on_delay_s": 5})
    with running(site):
        lines = [line for line in say(site, "journal", "--last", "1000")[1].splitlines() if " limit_change " in line]
    assert [line.split(" limit_change ")[1] for line in lines] == [
        f"{ALARM} (nobody has signed for it) key=on_delay_s new=5 old=0 section=alarms",
        f"{ALARM} (nobody has signed for it) key=priority new=P3 old=P2 section=alarms",
    ]
    code, replayed = on_record("replay", site)
    assert code == 0, replayed
    assert on_record("journal", "verify", site)[0] == 0
