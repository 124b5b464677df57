"""A process that commits without a pause is killed at random instants: what it has told is there, and all is whole.

No plant and no scan: only the store, its writer thread and the disk. What a
kill of the whole field process means to the plant is another row.
"""

import random
import tempfile
import time
from pathlib import Path

from gateway.store.database import OpenedAs
from tests.faults.frame import Row, Tally
from tests.store.support import opened
from tests.store.test_kill import check_everything, commit_until_killed

KILLS_A_STORE = 20  # then a new one: everything in it is checked after each kill


def run(tries: int, seed: int) -> Tally:
    """Kill the writer so many times."""
    tally, chance, n = Tally(), random.Random(seed), 0  # noqa: S311 - instants of kills
    with tempfile.TemporaryDirectory() as folder:
        for number in range(tries):
            path = Path(folder) / f"{number // KILLS_A_STORE}" / "plant.db"
            n = 0 if number % KILLS_A_STORE == 0 else n
            n = _once(path, chance, tally, n)
    return tally


def _once(path: Path, chance: random.Random, tally: Tally, before: int) -> int:
    told, _ = commit_until_killed(path, chance)
    tally.count("commits told", told - before)
    began, n = time.monotonic(), before
    try:
        with opened(path) as database:
            assert database.opened.found is OpenedAs.KEPT, database.opened
            n = check_everything(database, told)
            assert n >= before, f"{n} commits, and {before} before"
    except AssertionError as wrong:
        tally.one(f"told {told}: {wrong!s:.200}")
    else:
        tally.one("")
    tally.at_worst(time.monotonic() - began)
    return n


ROW = Row(
    fault="kill -9 of a process that commits entries, readings and state without a pause (store alone, no plant)",
    promise="every commit that was told is there, none is half there, chain and checksums are whole, the numbers go on",
    figure="s to open and check everything",
    goal=400,
    run=run,
)
