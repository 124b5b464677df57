"""What people enter, by command and by file, against a real field process whose devices are all silent."""

import os
import re
import shutil
import socket
import time
from pathlib import Path

import pytest

from gateway.local.clockpage import PlantPage, pack_plant
from tests.site_copy import clock_is, nobody_answers, operator_is
from tests.test_alarm_commands import MARROWFELL, on_record, running, say

FEBRUARY = Path(__file__).parent / "data" / "laboratory_february.csv"  # of the demo's scenario: invented
UTC_MS = 1_741_600_000_000  # 10 Mar 2025 09:46 UTC, when every result is in
CHECK = ("enter", "verification", "--tag", "AIT-801", "--standard", "5.0")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = Path(shutil.copytree(MARROWFELL, tmp_path / "site", ignore=shutil.ignore_patterns("record")))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    nobody_answers(folder, port)
    operator_is(folder, os.getuid())
    page = PlantPage(anchor_ns=time.monotonic_ns(), plant_ms=0, utc_ms=UTC_MS, rate=5.0)
    (tmp_path / "clock").write_bytes(pack_plant(page, 1))
    clock_is(folder, tmp_path / "clock")
    return folder


def test_what_people_enter_is_taken_once_corrected_by_new_entries_and_decided_the_same_again(
    site: Path, tmp_path: Path
) -> None:
    with running(site):
        first, last = _whole_or_not_at_all(site, tmp_path)
        _corrected(site, first, last)
        _a_failed_check(site)
        live = _listed(site)
    assert _listed(site) == live, "the record tells what the running process told"
    assert on_record("journal", "verify", site)[0] == 0
    code, replayed = on_record("replay", site)
    assert (code, "all the same" in replayed) == (0, True), replayed


def _whole_or_not_at_all(site: Path, tmp_path: Path) -> tuple[int, int]:
    wrong = tmp_path / "wrong.csv"
    wrong.write_text(
        FEBRUARY.read_text("utf-8")
        .replace("<1.8,", "few,", 1)
        .replace("2025-02-04 09:00", "2025-02-31 09:00")
        .replace("MPN", "CFU", 1),
        "utf-8",
    )
    code, told = say(site, "enter", "--csv", str(wrong))
    assert code == 1
    assert "wrong.csv:2: column result: 'few' is no result; write a figure that is not negative" in told
    assert "wrong.csv:2: column unit: 'CFU/100 mL' is not the unit of total_coliform" in told
    assert "wrong.csv:3: column sampled: '2025-02-31 09:00' is no time; write for instance" in told
    assert told.count("\n") == 4, "each fault once"
    assert told.endswith("Nothing was entered.\n")
    code, told = say(site, "enter", "--csv", str(FEBRUARY))
    numbers = re.fullmatch(r"20 entered[.]\nIn the journal as (\d+) to (\d+)[.]\n", told)
    assert numbers, told
    first, last = int(numbers[1]), int(numbers[2])
    assert last - first == 19
    again = f"20 of 20 entered before: {first} to {last}; not entered again.\n"
    assert say(site, "enter", "--csv", str(FEBRUARY)) == (0, again)
    return first, last


def _corrected(site: Path, first: int, last: int) -> None:
    row = (
        "enter laboratory --parameter total_coliform --method MTF --laboratory Corvane --result <2.0 "
        f"--corrects {first}"
    ).split()
    row += ["--point", "contact tank outlet", "--sampled", "2025-02-03 09:00", "--reported", "2025-02-05 16:00"]
    code, told = say(site, *row)
    assert (code, "laboratory: --reason: is empty; a correction says why" in told) == (1, True), told
    assert say(site, *row, "--reason", "misread")[0] == 0
    code, told = say(site, "enter", "note", "--text", "x", "--corrects", str(last + 900), "--reason", "x")
    assert (code, "is no entry of this site" in told) == (1, True), told


def _a_failed_check(site: Path) -> None:
    assert say(site, *CHECK, "--as-found", "5.1", "--time", "2025-02-17 10:00")[0] == 0
    assert say(site, *CHECK, "--as-found", "4.0", "--as-left", "5.0", "--time", "2025-02-24 10:00")[0] == 0
    assert "the check of AIT-801 is overdue since 03 Mar 2025" in say(site, "status")[1]


def _listed(site: Path) -> str:
    code, told = on_record("entries", site, "--from", "2025-02-03", "--to", "2025-02-28")
    assert code == 0
    lines = told.splitlines()
    assert "total_coliform at contact tank outlet: <1.8 MPN/100 mL, reported Wed 05 Feb 2025 16:00" in lines[0]
    assert re.search(r"corrects \d+ [(]misread[)]: .*: <2.0 MPN/100 mL", lines[1]), lines[1]
    assert sum("total_coliform" in line for line in lines) == 21
    assert any("as found 4, as left 5, band 0.1 mg/L or 15 %: FAILED" in line for line in lines)
    doubt = "In doubt: AIT-801 from Mon 17 Feb 2025 10:00 to Mon 24 Feb 2025 10:00, since check "
    assert any(line.startswith(doubt) for line in lines)
    assert lines[-1].startswith("Next check of AIT-801: Mon 03 Mar 2025 10:00: OVERDUE")
    return told
