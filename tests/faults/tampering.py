"""One octet changed at random: in the files of a record, in the log of a killed process, in an export.

Each try changes a copy, asks the program, and compares what the record says
with the untouched one. Kept is what was found, and what changes nothing that
the record says; lost is a record that says something else, and nobody noticed.
"""

import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from gateway.configuration.plant import load_site
from gateway.custody.exporting import Period, export_stopped
from gateway.custody.verifying import verify_stopped
from gateway.store import journal, sample_log
from gateway.store.database import offline
from gateway.store.errors import StoreError

Row = dict[str, str | int]
Content = tuple[object, ...]


def flip_byte(path: Path, chance: random.Random) -> int:
    """Change one octet to any other; returns where."""
    with path.open("r+b") as file:
        place = chance.randrange(path.stat().st_size)
        file.seek(place)
        (octet,) = file.read(1)
        file.seek(place)
        file.write(bytes((octet ^ chance.randrange(1, 256),)))
    return place


def said_by(database: Path) -> Content:
    """Everything that a record hands out."""
    try:
        with offline(database) as reader:
            lines = [octets for _, octets in journal.read_after(reader, 0, 10**9)]
            chunks = [(header.first_n, octets) for header, octets in sample_log.read_after(reader, 0, 10**9)]
            return lines, chunks
    except StoreError as error:
        return (type(error).__name__,)


def campaign(seed: int, tries: int) -> list[Row]:
    """All rows of this file."""
    with tempfile.TemporaryDirectory(prefix="tampering-") as folder:
        from tests.custody.made_site import made_site  # noqa: PLC0415 - it imports the whole gateway

        site = made_site(Path(folder))
        return [stopped(site, seed, tries), killed(Path(folder), seed, tries), exported(site, seed, tries)]


def stopped(site: Path, seed: int, tries: int) -> Row:
    """In the database of a site that was stopped in order: every octet counts."""
    whole = _row("one octet of a stopped record changed", "store verify says that the record is not as it was written")
    return _tried(whole, site / "record" / "plant.db", "plant.db", seed, tries, harmless=False)


def killed(folder: Path, seed: int, tries: int) -> Row:
    """In the files of a process that was killed: database, log, and what lies beside."""
    database = killed_record(folder / "killed")
    fault = "one octet of a killed process's record changed, in the database or in its log"
    row = _row(fault, "store verify says so, or everything that the record hands out is unchanged")
    half = tries // 2
    _tried(row, database, "plant.db", seed, half, harmless=True)
    return _tried(row, database, "plant.db-wal", seed + 1, tries - half, harmless=True)


def killed_record(folder: Path) -> Path:
    """The files of a process that was killed while it committed."""
    folder.mkdir()
    path = folder / "plant.db"
    command = [sys.executable, "-m", "tests.store.committing_child", str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        while child.stdout.readline().split()[:2] != ["committed", "60"]:
            pass
        child.kill()
    return path


def exported(site: Path, seed: int, tries: int) -> Row:
    """In any file of an export, found by the recipe that its README gives, with nothing of ours."""
    from tests.custody.recheck import recheck  # noqa: PLC0415 - the recipe stands beside its test

    row = _row("one octet of an export changed", "the recipe in its README.txt finds it")
    chance = random.Random(seed)  # noqa: S311 - places of damage
    loaded = load_site(site)
    with tempfile.TemporaryDirectory(prefix="export-") as place:
        original = Path(place) / "original"
        export_stopped(site / "record" / "plant.db", loaded, original, Period())
        noted = recheck(original, None)
        for number in range(tries):
            copy = Path(shutil.copytree(original, Path(place) / str(number)))
            file = chance.choice(sorted(path for path in copy.rglob("*") if path.is_file()))
            at = flip_byte(file, chance)
            _count(row, found=_refused(lambda copy=copy: recheck(copy, noted)), where=f"{file.name} at {at}")  # type: ignore[misc]
            shutil.rmtree(copy)
    return row


def _refused(check: Callable[[], object]) -> bool:
    try:
        check()
    except (AssertionError, ValueError, KeyError, OSError):
        return True
    return False


def _row(fault: str, promise: str) -> Row:
    return {"fault": fault, "promise": promise, "tried": 0, "kept": 0, "lost": 0, "worst": ""}


def _count(row: Row, *, found: bool, where: str) -> None:
    row["tried"] = int(row["tried"]) + 1
    row["kept"] = int(row["kept"]) + found
    row["lost"] = int(row["lost"]) + (not found)
    row["worst"] = row["worst"] if found else where


def _tried(row: Row, database: Path, name: str, seed: int, tries: int, *, harmless: bool) -> Row:
    chance = random.Random(seed)  # noqa: S311 - places of damage
    with tempfile.TemporaryDirectory(prefix="flipped-") as place:
        said = said_by(_copied(database, Path(place) / "untouched"))
        noticed_before = {one.text for one in verify_stopped(_copied(database, Path(place) / "whole"), {}).findings}
        for number in range(tries):
            copy = _copied(database, Path(place) / str(number))
            at = flip_byte(copy.with_name(name), chance)
            findings = {one.text for one in verify_stopped(copy, {}).findings} - noticed_before
            same = harmless and said_by(copy) == said
            _count(row, found=bool(findings) or same, where=f"{name} at {at}")
            shutil.rmtree(copy.parent)
    return row


def _copied(database: Path, folder: Path) -> Path:
    folder.mkdir()
    for suffix in ("", "-wal", ".closed", ".run"):
        if Path(f"{database}{suffix}").exists():
            shutil.copy(f"{database}{suffix}", folder / f"{database.name}{suffix}")
    return folder / database.name
