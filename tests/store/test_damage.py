"""Bits flipped and files cut short, at random: what is served is what was written, and what is missing is noticed."""

import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import pytest

from gateway.local.messages import ChunkHeader, JournalEntry, entries_of
from gateway.store import journal, machine_state, sample_log
from gateway.store.database import Database, OpenedAs, Reader
from gateway.store.errors import StoreDamaged
from gateway.store.machine_state import Saved
from tests.store.support import chunk_from, entry, fill, opened, state_after

COMMITS = 120
EVERYTHING = 100_000_000
Damage = Callable[[Path, random.Random], None]


@dataclass
class Served:
    """What came out of a store that may be damaged, and whether the store itself noticed that."""

    entries: list[JournalEntry] = field(default_factory=list)
    chunks: list[tuple[ChunkHeader, bytes]] = field(default_factory=list)
    state: object = None
    noticed: list[str] = field(default_factory=list)


def serve_everything(database: Database) -> Served:
    served = Served()
    if database.opened.found is OpenedAs.SET_ASIDE:
        served.noticed.append(database.opened.reason)
    for part in (serve_entries, serve_chunks, _serve_state):
        try:
            with database.reader() as reader:
                part(reader, served)
        except StoreDamaged as error:
            served.noticed.append(str(error))
    return served


def serve_entries(reader: Reader, served: Served) -> None:
    n = 0
    while found := journal.read_after(reader, n, 5_000):
        served.entries += [one for _, body in found for one in entries_of(body)]
        n = found[-1][0].last_n
    served.noticed += [finding.text for finding in journal.verify(reader)]


def serve_chunks(reader: Reader, served: Served) -> None:
    n = 0
    while found := sample_log.read_after(reader, n, 5_000):
        served.chunks += found
        n = found[-1][0].last_n
    served.noticed += [finding.text for finding in sample_log.verify(reader)]


def _serve_state(reader: Reader, served: Served) -> None:
    served.state = machine_state.load(reader)
    if isinstance(served.state, machine_state.Unreadable):
        served.noticed.append(served.state.reason)


original_chunk = cache(chunk_from)


def nothing_wrong_was_served(served: Served) -> None:
    numbers = [one.n for one in served.entries]
    assert numbers == sorted(set(numbers))
    assert served.entries == [entry(n) for n in numbers]
    assert all(chunk == original_chunk(chunk[0].first_n) for chunk in served.chunks)
    spans = [header.first_n for header, _ in served.chunks]
    assert spans == sorted(set(spans))
    assert not isinstance(served.state, Saved) or served.state == state_after(served.state.tick.monotonic_ms // 1000)


def what_is_missing_was_noticed(served: Served, commits: int) -> None:
    whole = len(served.entries) == commits and len(served.chunks) == commits and served.state == state_after(commits)
    assert whole or served.noticed


def flip_bit(path: Path, chance: random.Random) -> None:
    with path.open("r+b") as file:
        place = chance.randrange(path.stat().st_size)
        file.seek(place)
        (octet,) = file.read(1)
        file.seek(place)
        file.write(bytes((octet ^ 1 << chance.randrange(8),)))


def cut_short(path: Path, chance: random.Random) -> None:
    with path.open("r+b") as file:
        file.truncate(chance.randrange(path.stat().st_size))


def overwrite_sector(path: Path, chance: random.Random) -> None:
    with path.open("r+b") as file:
        file.seek(chance.randrange(path.stat().st_size) // 512 * 512)
        file.write(chance.randbytes(512))


@pytest.fixture(scope="module")
def closed_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("closed") / "plant.db"
    with opened(path) as database:
        fill(database, COMMITS)
    assert not Path(f"{path}-wal").exists()
    return path


@pytest.fixture(scope="module")
def killed_store(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """A store whose process was killed, so that its last commits stand in the write-ahead log alone."""
    path = tmp_path_factory.mktemp("killed") / "plant.db"
    with subprocess.Popen(
        [sys.executable, "-m", "tests.store.committing_child", str(path)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        while child.stdout.readline().split()[:2] != ["committed", str(COMMITS)]:
            pass
        child.kill()
    assert Path(f"{path}-wal").stat().st_size > 100_000
    copy = path.parent / "copy" / "plant.db"
    copy_of((path), copy.parent)
    with opened(copy) as database, database.reader() as reader:
        return path, journal.newest(reader).n


def copy_of(path: Path, folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    for suffix in ("", "-wal"):
        if Path(f"{path}{suffix}").exists():
            shutil.copy(f"{path}{suffix}", folder / f"{path.name}{suffix}")
    return folder / path.name


@pytest.mark.parametrize("seed", range(30))
@pytest.mark.parametrize("damage", [flip_bit, cut_short, overwrite_sector])
def test_a_damaged_file_serves_nothing_wrong_and_what_is_missing_is_noticed(
    closed_store: Path, tmp_path: Path, damage: Damage, seed: int
) -> None:
    path = copy_of(closed_store, tmp_path)
    damage(path, random.Random(seed))  # noqa: S311 - places of damage
    with opened(path) as database:
        served = serve_everything(database)
        nothing_wrong_was_served(served)
        what_is_missing_was_noticed(served, COMMITS)
        if database.opened.found is OpenedAs.SET_ASIDE:
            assert (tmp_path / database.opened.set_aside).exists()
            fill(database, 2)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("damage", [flip_bit, cut_short])
def test_a_damaged_log_serves_an_earlier_moment_whole(
    killed_store: tuple[Path, int], tmp_path: Path, damage: Damage, seed: int
) -> None:
    """SQLite drops what follows the damage: commits are lost, and only a position beyond the end tells."""
    original, commits = killed_store
    path = copy_of(original, tmp_path)
    damage(Path(f"{path}-wal"), random.Random(seed))  # noqa: S311 - places of damage
    with opened(path) as database:
        served = serve_everything(database)
        nothing_wrong_was_served(served)
        if not served.noticed:
            assert len(served.entries) == len(served.chunks) <= commits
            moment = len(served.entries)
            assert served.state == (state_after(moment) if moment else machine_state.Nothing())


def test_all_ways_of_noticing_damage_were_tried(closed_store: Path, tmp_path: Path) -> None:
    """The tries above would prove little if every file were set aside at once, or none."""
    found = set()
    for seed in range(10):
        for damage in (flip_bit, cut_short, overwrite_sector):
            path = copy_of(closed_store, tmp_path / f"{damage.__name__}-{seed}")
            damage(path, random.Random(seed))  # noqa: S311 - the same places as above
            with opened(path) as database:
                found.add((database.opened.found, bool(serve_everything(database).noticed)))
    assert found >= {(OpenedAs.KEPT, True), (OpenedAs.SET_ASIDE, True)}
