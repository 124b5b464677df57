"""A disk without a free octet, and one that refuses for a while: what the record loses, and whether it says so.

The recorder and the housekeeping are the field process's own, on a real store
on a real small file system; only the clock is moved by hand.
"""

import asyncio
import random
import tempfile
from collections.abc import Awaitable, Callable
from contextlib import suppress
from pathlib import Path

from gateway.core.outcome import Event, EventKind
from gateway.field.clock import ManualClock
from gateway.field.housekeeping import Housekeeper, Keeping
from gateway.field.recording import Identity, Recorder
from gateway.store import journal, machine_state, sample_log
from gateway.store.ballast import Ballast, opened_with
from gateway.store.database import Database
from gateway.store.errors import StoreBusy, StoreError, StoreFailing, StoreFull
from gateway.store.migrations import PLANT
from tests.core.plants import UTC_MS
from tests.faults.small_disk import NoSmallDisk, fill_up, small_disk
from tests.field.fieldbench import CONFIGURATION, INTERVAL_MS, WAIT_S, Disk, Scans, back_off, until

Row = dict[str, str | int]
_MEGABYTES, _BALLAST_BYTES = 12, 2_097_152
_FEW, _MANY = 30, 400  # many use up what was held, so that the oldest have to go


class Plant:
    """A recorder and its housekeeping; a scan a second with samples, and an event in every third."""

    def __init__(
        self, database: Database, ballast: Ballast | None, chance: random.Random, samples_a_scan: int = _FEW
    ) -> None:
        self.database = database
        self.clock = ManualClock(monotonic_ms=1_000_000)
        self.scans = Scans(self.clock)
        self.chance = chance
        self.samples_a_scan = samples_a_scan
        self.told: list[Event] = []
        self.committed = 0
        self.noted = 0
        self.recorder = Recorder(
            database=database,
            identity=Identity(run=database.opened.run, boot_id="boot", configuration=CONFIGURATION),
            clock=self.clock,
            interval_ms=INTERVAL_MS,
            first_entry_n=1,
            again=back_off(),
            on_commit=self._committed,
            on_full=lambda: self.housekeeper.disk_full(),  # noqa: PLW0108 - made below
        )
        self.housekeeper = Housekeeper(
            database=database,
            keeping=Keeping(readers=(), keep_days=90, limit_bytes=10**9),
            clock=self.clock,
            ballast=ballast,
            tell=self.told.append,
        )

    def _committed(self, scan: int) -> None:
        self.committed = scan

    def scan(self) -> None:
        """One scan: what it took and decided goes to the recorder, as the scan loop does."""
        kinds = [EventKind.ALARM] if self.scans.scan % 3 == 0 else []
        state, taken, events = self.scans.next(*kinds, samples=self.samples_a_scan)
        told, self.told[:] = list(self.told), []
        self.noted += len(self.recorder.note(state, taken, [*events, *told]))

    async def seconds(self, count: int) -> None:
        """Plant seconds, each with a turn of the writer."""
        for _ in range(count):
            self.scan()
            await self.clock.run_for(1_000)
            await until(lambda: self.database.waiting == 0)
            await self.clock.settle()

    async def recovered(self) -> bool:
        """Whether commits succeed again within five minutes."""
        for _ in range(60):
            await self.seconds(5)
            if self.recorder.failing_since_ms is None and not self.told:
                return True
        return False

    def losses(self) -> str:
        """What of the record is not there and not said to be gone; empty when nothing is."""
        with self.database.reader() as reader:
            entries = journal.read_entries(reader, 0, 1_000_000)
            findings = [*journal.verify(reader), *sample_log.verify(reader)]
            oldest, newest = sample_log.oldest_n(reader), sample_log.newest_n(reader)
        if findings:
            return findings[0].text
        if [entry.n for entry in entries] != list(range(1, self.noted + 1)):
            return f"{self.noted} events were decided, {len(entries)} are in the journal"
        if newest != self.scans.n:
            return f"{self.scans.n} samples were taken, the newest in the record is {newest}"
        gaps = [(int(one.facts["first_n"]), int(one.facts["last_n"])) for one in entries if one.kind == "gap"]
        given_up = {n for first, last in gaps for n in range(first, last + 1)}
        silently = set(range(1, oldest)) - given_up
        return f"{len(silently)} samples are gone and no event says so" if silently else ""


def played(plant: Plant, script: Callable[[Plant], Awaitable[str]]) -> str:
    """Run a script beside the recorder and the housekeeping."""

    async def whole() -> str:
        working = [asyncio.create_task(part.run()) for part in (plant.recorder, plant.housekeeper)]
        try:
            await plant.seconds(3)
            return await script(plant)
        finally:
            for task in working:
                task.cancel()
            for task in working:
                with suppress(asyncio.CancelledError):
                    await task

    return asyncio.run(whole())


# --- rows ---------------------------------------------------------------------------------------------------------


def campaign(seed: int, tries: int) -> list[Row]:
    """All rows of this file."""
    return [full(seed, tries), start_on_full(seed, tries), refusing(seed, tries)]


def full(seed: int, tries: int) -> Row:
    """Somebody else fills the disk to its last octet, for minutes, and frees it again."""
    promise = "the record goes on by itself, no event is lost, and samples that go are the oldest and told with counts"
    row = _row("a disk with 0 bytes free while the gateway runs", promise)
    for number in range(tries):
        _tried(row, seed + number, _full_once)
    return row


def _full_once(chance: random.Random, place: Path) -> str:
    with small_disk(place, _MEGABYTES) as disk:
        ballast = Ballast(disk / "plant.ballast", _BALLAST_BYTES)
        database = Database(disk / "plant.db", PLANT, utc_ms=UTC_MS)
        try:
            plant = Plant(database, ballast, chance, chance.choice((_FEW, _MANY)))
            return played(plant, lambda plant: _filled(plant, disk))
        finally:
            database.close(WAIT_S)


async def _filled(plant: Plant, disk: Path) -> str:
    await plant.seconds(plant.chance.randrange(60, 240))
    filler = fill_up(disk)
    full_s = plant.chance.randrange(120, 400)
    went_on = True
    for _ in range(3):
        await plant.seconds(full_s // 3)
        fill_up(disk)  # whoever fills the disk takes what is freed, too
        went_on = went_on and plant.scans.scan - plant.committed < full_s // 3
    filler.unlink()
    if not await plant.recovered():
        return "it did not recover when there was room again"
    return await _settled(plant) or ("" if went_on else "nothing could be committed while the disk was full")


def start_on_full(seed: int, tries: int) -> Row:
    """A start while not one octet is free."""
    row = _row("a start on a disk with 0 bytes free", "it starts, with a new run and the state as it was")
    for number in range(tries):
        _tried(row, seed + number, _start_once)
    return row


def _start_once(chance: random.Random, place: Path) -> str:
    with small_disk(place, _MEGABYTES) as disk:
        path, ballast = disk / "plant.db", Ballast(disk / "plant.ballast", _BALLAST_BYTES)
        database = Database(path, PLANT, utc_ms=UTC_MS)
        plant = Plant(database, ballast, chance)
        before = played(plant, lambda plant: _ran(plant, chance.randrange(5, 90)))
        database.submit(lambda _: None).result(WAIT_S)  # the commit that was under way is done, too
        with database.reader() as reader:
            saved = machine_state.load(reader)
        database.close(WAIT_S)
        plant.housekeeper.hold_ballast_for_next_start()
        fill_up(disk)
        try:
            again = opened_with(ballast, lambda: Database(path, PLANT, utc_ms=UTC_MS))
        except StoreError as error:
            return f"it did not start: {error}"
        with again.reader() as reader:
            same = machine_state.load(reader) == saved
        run = again.opened.run
        again.close(WAIT_S)
        return before or ("" if same and run == 2 else f"run {run}, state {'kept' if same else 'lost'}")


async def _ran(plant: Plant, seconds: int) -> str:
    await plant.seconds(seconds)
    return "" if await plant.recovered() else "it never ran"


def refusing(seed: int, tries: int) -> Row:
    """Commits fail for random whiles: no room, input/output error, read-only, busy."""
    promise = "nothing is lost that was told as committed, and nothing at all when it ends before memory does"
    row = _row("a disk that refuses for a while", promise)
    for number in range(tries):
        _tried(row, seed + number, _refused_once)
    return row


class RefusingDisk(Disk):
    """Refuses with one kind of error or another."""

    kind: type[StoreError] | None = None

    def refuse(self) -> None:
        """Called by the writer at the end of each piece of work, before its commit."""
        if self.kind is not None:
            raise self.kind("refused, says the campaign; everything is rolled back")


def _refused_once(chance: random.Random, place: Path) -> str:
    disk = RefusingDisk(place / "plant.db")
    try:
        return played(Plant(disk, None, chance), _refusals)
    finally:
        disk.close(WAIT_S)


async def _refusals(plant: Plant) -> str:
    disk = plant.database
    assert isinstance(disk, RefusingDisk)
    for _ in range(plant.chance.randrange(1, 5)):
        disk.kind = plant.chance.choice([StoreFull, StoreFailing, StoreBusy])
        before = plant.scans.scan
        await plant.seconds(plant.chance.randrange(1, 60))
        if plant.committed > before:
            return "a scan was told as committed while the disk refused"
        disk.kind = None
        await plant.seconds(plant.chance.randrange(1, 60))
    if not await plant.recovered():
        return "it did not recover"
    return await _settled(plant)


async def _settled(plant: Plant) -> str:
    """The samples of the last seconds wait for their interval."""
    await plant.clock.run_for(2 * INTERVAL_MS)
    await until(lambda: plant.recorder.waiting == 0)
    return plant.losses()


def _row(fault: str, promise: str) -> Row:
    return {"fault": fault, "promise": promise, "tried": 0, "kept": 0, "lost": 0, "worst": ""}


def _tried(row: Row, seed: int, once: Callable[[random.Random, Path], str]) -> None:
    with tempfile.TemporaryDirectory(prefix="disk-") as place:
        try:
            worst = once(random.Random(seed), Path(place))  # noqa: S311 - moments of the fault
        except NoSmallDisk as why:
            row["worst"] = f"not tried: {why}"
            return
    row["tried"] = int(row["tried"]) + 1
    row["kept"] = int(row["kept"]) + (not worst)
    row["lost"] = int(row["lost"]) + bool(worst)
    row["worst"] = f"seed {seed}: {worst}" if worst else row["worst"]
