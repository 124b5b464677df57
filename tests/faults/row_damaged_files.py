"""The store of a stopped process is cut short or changed at random places, and the next start goes on from it.

The record is of a plant that was delivering and then tripped. The start is what
the field process does with its store before the first scan. The file is damaged, or, in every third try, the
write-ahead log of a process that was killed. SQLite drops what follows the
damage in such a log without a word, and nothing inside the store can tell:
then the start goes on from an earlier moment, and the promise is that this
moment is whole, that the permission is withdrawn all the same, and that a trip
which is missing there comes back from the controller, to which it was written.
"""

import random
import shutil
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from gateway.core.outcome import EventKind
from gateway.core.state import rules_of
from gateway.core.tick import Tick
from gateway.field.beginning import Beginning, begin
from gateway.local.messages import ChunkHeader
from gateway.store import journal, machine_state, sample_log
from gateway.store.database import Database, OpenedAs, Transaction
from gateway.store.errors import StoreDamaged, StoreError
from gateway.store.machine_state import Saved
from gateway.store.scan_state import from_bytes, to_bytes
from tests.core.plants import PLANT, Bench
from tests.faults.frame import Row, Tally
from tests.store.support import CONFIGURATION, UTC_MS, WAIT_S, chunk_from, entry, opened
from tests.store.test_damage import (
    Served,
    cut_short,
    flip_bit,
    nothing_wrong_was_served,
    overwrite_sector,
    serve_chunks,
    serve_entries,
)

COMMITS, COUNT = 120, 40
CLOUDY_FROM = 90  # the commit from which on the water is too cloudy
AWAY_MS = 5_000
BOOT = "0f4b2e06-boot"
DAMAGES = (flip_bit, cut_short, overwrite_sector)


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """Stores to damage copies of, and when their process was last alive.

    Args:
        closed: a store that was closed, in one file.
        killed: the same, most of it still in the write-ahead log.
        last: the moment of the newest state.
    """

    closed: Path
    killed: Path
    last: Tick


def run(tries: int, seed: int) -> Tally:
    """Damage so many copies."""
    tally, chance = Tally(), random.Random(seed)  # noqa: S311 - places of damage
    with tempfile.TemporaryDirectory() as folder:
        made = _make(Path(folder))
        for number in range(tries):
            _once(made, Path(folder) / f"{number}", number, chance, tally)
    return tally


def _make(folder: Path) -> Made:
    states = _states()
    with opened(folder / "closed" / "plant.db") as database:
        for n, saved in enumerate(states, 1):
            database.submit(lambda transaction, n=n, saved=saved: _commit(transaction, n, saved)).result(WAIT_S)  # type: ignore[misc]
            if n == COMMITS:  # not closed yet, so that its log is there; every commit that was told is on the disk
                _copy(folder / "closed" / "plant.db", folder / "killed")
    return Made(closed=folder / "closed" / "plant.db", killed=folder / "killed" / "plant.db", last=states[-1].tick)


def _states() -> list[Saved]:
    """One a second: delivering, then tripped by turbidity, which stays high."""
    bench = Bench()
    bench.deliver()
    states = []
    for n in range(1, COMMITS + 1):
        if n == CLOUDY_FROM:
            bench.read(TURB=50.0)
        bench.scan()
        tick = bench.state.tick
        states.append(Saved(state=to_bytes(bench.state), tick=tick, boot_id=BOOT, run=1, configuration=CONFIGURATION))
    return states


def _commit(transaction: Transaction, n: int, saved: Saved) -> None:
    journal.append(transaction, [entry(n)])
    sample_log.append(transaction, *original(n))
    machine_state.save(transaction, saved)


@cache
def original(n: int) -> tuple[ChunkHeader, bytes]:
    """The chunk of the n-th commit."""
    return chunk_from((n - 1) * COUNT + 1, COUNT)


def _copy(path: Path, folder: Path) -> Path:
    folder.mkdir()
    for suffix in ("", "-wal"):
        if Path(f"{path}{suffix}").exists():
            shutil.copy(f"{path}{suffix}", folder / f"{path.name}{suffix}")
    return folder / path.name


def _once(made: Made, folder: Path, number: int, chance: random.Random, tally: Tally) -> None:
    in_log = number % 3 == 2
    path = _copy(made.killed if in_log else made.closed, folder)
    chance.choice(DAMAGES)(Path(f"{path}-wal") if in_log else path, chance)
    now = Tick(monotonic_ms=made.last.monotonic_ms + AWAY_MS, utc_ms=made.last.utc_ms + AWAY_MS)
    try:
        with opened(path, utc_ms=UTC_MS) as database:
            beginning = begin(database, rules_of(PLANT), now=now, boot_id=BOOT, version="0")
            _judge(database, beginning, tally, folder, in_log=in_log)
    except (AssertionError, StoreError) as wrong:
        tally.one(f"{type(wrong).__name__}: {wrong!s:.300}")
    else:
        tally.one("")
    shutil.rmtree(folder)


def _judge(database: Database, beginning: Beginning, tally: Tally, folder: Path, *, in_log: bool) -> None:
    """Everything that was promised of one start.

    Raises:
        AssertionError: something does not hold.
    """
    served = _served(database)
    nothing_wrong_was_served(served)
    whole = len(served.entries) == COMMITS == len(served.chunks) and beginning.events[0].facts["state"] == "resumed"
    assert whole or served.noticed or in_log, "something is missing, and nothing was noticed"
    if database.opened.found is OpenedAs.SET_ASIDE:
        replaced = [one for one in beginning.events if one.kind is EventKind.STORE_REPLACED]
        assert [one.facts["set_aside"] for one in replaced] == [database.opened.set_aside]
        assert (folder / database.opened.set_aside).exists()
    _withdrawn_and_latched(beginning, tally)
    _goes_on(database, beginning)
    tally.count(
        "set aside"
        if database.opened.found is OpenedAs.SET_ASIDE
        else "as before"
        if whole
        else "kept, and the damage found"
        if served.noticed
        else "an earlier moment, whole"
    )


def _withdrawn_and_latched(beginning: Beginning, tally: Tally) -> None:
    """Product is not given; and it is latched, at the latest by the first read of the controller."""
    product = beginning.state.outputs["product"]
    assert product.level == "withdrawn"
    if not product.latches:
        assert product.proving
        assert beginning.state.scan < _scan_of_the_trip(), "a trip that the start has read is not latched"
        bench = Bench(state=beginning.state, monotonic_ms=beginning.state.tick.monotonic_ms)
        bench.controlled()  # the trip was written to the controller, which still knows it
        assert bench.state.outputs["product"].latches, "a trip that the controller knows is not latched"
        tally.count("earlier than the trip: latched by what the controller holds")


@cache
def _scan_of_the_trip() -> int:
    states = [from_bytes(saved.state) for saved in _states()]
    return next(state.scan for state in states if state.interlocks["I-TURB"].tripped)


def _served(database: Database) -> Served:
    """What a reader gets, without the saved state, which the start has judged."""
    served = Served()
    if database.opened.found is OpenedAs.SET_ASIDE:
        served.noticed.append(database.opened.reason)
    with database.reader() as reader:
        if isinstance(state := machine_state.load(reader), machine_state.Unreadable):
            served.noticed.append(state.reason)
    for part in (serve_entries, serve_chunks):
        try:
            with database.reader() as reader:
                part(reader, served)
        except StoreDamaged as error:
            served.noticed.append(str(error))
    return served


def _goes_on(database: Database, beginning: Beginning) -> None:
    """One more entry and chunk, with the next numbers, can be written and read again."""
    n, sample_n = beginning.next_entry_n, beginning.next_sample_n

    def work(transaction: Transaction) -> None:
        journal.append(transaction, [entry(n)])
        sample_log.append(transaction, *chunk_from(sample_n, COUNT))

    database.submit(work).result(WAIT_S)
    with database.reader() as reader:
        assert journal.read_after(reader, n - 1, 1)[-1][0].last_n == n
        assert sample_log.read_after(reader, sample_n - 1, 1) == [chunk_from(sample_n, COUNT)]


ROW = Row(
    fault="store files of a stopped process cut short, a bit flipped, or a sector overwritten, at random places",
    promise="the next start goes on; what is missing is noticed; no corrupt row is served; the permission is withdrawn "
    "at once, and latched at the latest by the first read of the controller",
    goal=200,
    run=run,
)
