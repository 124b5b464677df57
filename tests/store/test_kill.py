"""A real process, killed without warning in the middle of its commits: what it has said is there, and nothing else."""

import random
import subprocess
import sys
import time
from pathlib import Path

from gateway.local.messages import entries_of
from gateway.store import journal, machine_state, sample_log
from gateway.store.database import Database, OpenedAs
from tests.store.support import WAIT_S, chunk_from, entry, opened, state_after

KILLS = 20
COUNT = 40
EVERYTHING = 100_000_000


def commit_until_killed(path: Path, chance: random.Random) -> tuple[int, int]:
    """Last commit that the process has told of, and its run."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.store.committing_child", str(path)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        try:
            word, told, found, run = child.stdout.readline().split()
            assert (word, found) == ("opened", "kept" if int(run) > 1 else "fresh")
            for _ in range(chance.randint(0, 25)):
                word, told = child.stdout.readline().split()
                assert word == "committed"
            time.sleep(chance.random() * 0.02)  # not to wait for anything: so that the kill falls anywhere in a commit
        finally:
            child.kill()
        rest = [line.split() for line in child.stdout if line.endswith("\n")]
    return max([int(told), *(int(words[1]) for words in rest)]), int(run)


def check_everything(database: Database, told: int) -> int:
    """Nothing of what was told is missing, every commit is whole, and each is what was committed."""
    with database.reader() as reader:
        n = journal.newest(reader).n
        assert n >= told
        assert journal.verify(reader) == []
        assert sample_log.verify(reader) == []
        entries = [e for _, body in journal.read_after(reader, 0, EVERYTHING) for e in entries_of(body)]
        chunks = sample_log.read_after(reader, 0, EVERYTHING)
        state = machine_state.load(reader)
    assert entries == [entry(i) for i in range(1, n + 1)]
    assert [header.last_n for header, _ in chunks] == [i * COUNT for i in range(1, n + 1)]
    assert all(chunk == chunk_from(chunk[0].first_n, COUNT) for chunk in chunks[-60:])
    assert state == (state_after(n) if n else machine_state.Nothing())
    return n


def test_twenty_kills_lose_nothing_that_was_told_and_leave_nothing_half_done(tmp_path: Path) -> None:
    path = tmp_path / "plant.db"
    chance = random.Random(20250206)  # noqa: S311 - instants of kills
    began = time.monotonic()
    told_runs = []
    n = 0
    for _ in range(KILLS):
        told, run = commit_until_killed(path, chance)
        told_runs.append(run)
        assert told >= n
        with opened(path) as database:
            assert database.opened.found is OpenedAs.KEPT
            n = check_everything(database, told)
            told_runs.append(database.opened.run)
    assert n > KILLS
    assert told_runs == list(range(1, 2 * KILLS + 1))
    assert time.monotonic() - began < 6 * WAIT_S
