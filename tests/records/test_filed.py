"""The record as it is filed: drafted at a running site, certified, and revised when a late result comes in.

The field process is real; its devices are all silent. The readings of February are made.
"""

import hashlib
import json
import os
import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from gateway.configuration.plant import load_site
from gateway.local.clockpage import PlantPage, pack_plant
from simulator.site import DEMO_SITE
from tests.bench.made_record import JOINED_S, fill
from tests.bench.row_report import made_chunks
from tests.site_copy import clock_is, nobody_answers, operator_is
from tests.test_alarm_commands import on_record, running, say

FEBRUARY = Path(__file__).parents[1] / "data" / "laboratory_february.csv"  # of the demo's scenario: invented
CELL = "2025-02/total_coliform/28"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = Path(shutil.copytree(DEMO_SITE, tmp_path / "site", ignore=shutil.ignore_patterns("record")))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    nobody_answers(folder, port)
    operator_is(folder, os.getuid())
    now_ns = time.monotonic_ns()
    page = PlantPage(anchor_ns=now_ns, plant_ms=now_ns // 1_000_000, utc_ms=time.time_ns() // 1_000_000, rate=1.0)
    (tmp_path / "clock").write_bytes(pack_plant(page, 1))
    clock_is(folder, tmp_path / "clock")
    loaded = load_site(folder)
    fill(loaded, loaded.resolve(loaded.site.place.storage_folder) / "plant.db", made_chunks(loaded, 2 * JOINED_S))
    return folder


def printed(site: Path, file: Path, *more: str) -> bytes:
    form = file.suffix.removeprefix(".")
    code, told = say(site, "record", "month", "2025-02", "--as", form, "--output", str(file), "--replace", *more)
    assert code == 0, told
    return file.read_bytes()


def certified(file: Path, copies: Path) -> dict[str, object]:
    """In the two steps that a person takes; what is kept of it."""
    who = ("--signer", "A. Person", "--role", "COMPLIANCE", "--copies", str(copies))
    code, shown = on_record("record", "certify", file, *who)
    assert (code, hashlib.sha256(file.read_bytes()).hexdigest() in shown) == (0, True), shown
    code, told = on_record("record", "certify", file, *who, "--confirm", shown.rsplit("--confirm ", 1)[1].strip())
    assert code == 0, told
    kept = max(copies.glob(f"{file.stem}-r*{file.suffix}.json"))
    found: dict[str, object] = json.loads(kept.read_text())
    return found


def test_a_late_result_makes_a_revision_that_names_what_changed_and_the_hash_before(site: Path, tmp_path: Path) -> None:
    file, copies, lines = tmp_path / "2025-02.csv", tmp_path / "copies", FEBRUARY.read_text("utf-8").splitlines()
    copies.mkdir()
    early, late = tmp_path / "early.csv", tmp_path / "late.csv"
    early.write_text("\n".join([*lines[:-1], ""]), "utf-8")
    late.write_text("\n".join([lines[0], lines[-1], ""]), "utf-8")
    with running(site):
        assert say(site, "enter", "--csv", str(early))[0] == 0
        draft = printed(site, file)
        assert b"PROVISIONAL: 1 laboratory results awaited (28 Feb)" in draft
        first = certified(file, copies)
        assert say(site, "enter", "--csv", str(late))[0] == 0
        assert b"FINAL as to its data" in printed(site, file)
        second = certified(file, copies)
        told = say(site, "record", "readings", "2025-02-01")
        known = printed(site, tmp_path / "told.csv", "--as-of", "2025-03-31")
    assert (first["revision"], first["previous"], first["sha256"]) == (1, "", hashlib.sha256(draft).hexdigest())
    assert (second["revision"], second["previous"]) == (2, first["sha256"])
    changed = second["changed"]
    assert isinstance(changed, dict)
    assert changed[CELL] == ["", "<1.8"]
    assert all("coliform" in key for key in changed)
    assert (copies / "2025-02-r1.csv").read_bytes() == draft
    assert say(site, "record", "readings", "2025-02-01") == told, "stopped it tells the readings that it told running"
    assert printed(site, tmp_path / "read.csv", "--as-of", "2025-03-31") == known
    _one_altered_byte(file, copies)


def _one_altered_byte(file: Path, copies: Path) -> None:
    copy = copies / "2025-02-r2.csv"
    content = bytearray(copy.read_bytes())
    content[len(content) // 2] ^= 1
    copy.write_bytes(content)
    file.write_bytes(file.read_bytes() + b"x")
    who = ("--signer", "A. Person", "--role", "COMPLIANCE", "--copies", str(copies))
    shown = on_record("record", "certify", file, *who)[1]
    code, told = on_record("record", "certify", file, *who, "--confirm", shown.rsplit("--confirm ", 1)[1].strip())
    assert (code, "2025-02-r2.csv is not what was certified" in told) == (1, True), told


@pytest.mark.parametrize("form", ["csv", "pdf"])
def test_another_process_of_another_place_language_and_seed_makes_the_same_bytes(
    site: Path, tmp_path: Path, form: str
) -> None:
    here = printed(site, tmp_path / f"here.{form}")
    there = tmp_path / f"there.{form}"
    place = {"TZ": "Asia/Kathmandu", "LC_ALL": "C", "LANG": "tr_TR.UTF-8", "PYTHONHASHSEED": "77"}
    command = (sys.executable, "-m", "gateway", "record", "month", "2025-02", "--as", form, "--output", there)
    subprocess.run([*command, "--site", site], check=True, env={**os.environ, **place}, capture_output=True)
    assert there.read_bytes() == here
