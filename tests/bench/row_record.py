"""Row e: what a sample takes on the disk, and what is written in a day, for the demo site.

At rest: the demo plant's own readings of some hours, made by the direct gear
and stamped one device after the other, go through the gateway's recorder and
housekeeping with the cadence of a running site; then the files are measured.
Beside it the same readings as rows of a table, one each, committed as often.
Stamps of real lines wander more; a real run shows what they take in the chunks.

Written: by the kernel's counters of the processes, in two ways. In a real run
at rate 1, which is too short for the log of the store to be moved into the
database and for chunks to be joined; and in the hours above, which have both,
and no uplink.
"""

import asyncio
import sqlite3
import time
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random
from typing import Self

from gateway.configuration.plant import load_site
from gateway.core.sample import Number, Sample
from gateway.field.backoff import BackOff
from gateway.field.housekeeping import Housekeeper, Keeping
from gateway.field.image import Numbered
from gateway.field.recording import Identity, Recorder
from gateway.store import sample_log
from gateway.store.chunk import pack, unpack
from gateway.store.database import Database, offline
from gateway.store.migrations import PLANT
from simulator.direct import DirectRun
from simulator.events import EVENTS
from simulator.site import DEMO_SITE
from tests.bench.demo_plant import demo_site
from tests.bench.frame import Figure, Goal, Scale
from tests.bench.made_record import Chunk
from tests.bench.processes import PROCESSES, gateway_of, scratch_folder, written_bytes
from tests.mosquitto import broker

_HOURS, _HOURS_SHORT = 2.0, 0.1
_WINDOW_S, _WINDOW_SHORT_S = 30.0, 6.0  # commits come every 10 s, the uplink confirms every 30 s
_SETTLES_S, _SETTLES_SHORT_S = 15.0, 0.0  # at once: the start is written down, however short the run
_COMMIT_MS, _JOIN_MS, _JOINED_CHUNKS = 10_000, 60_000, 30
_DAY_S = 86_400.0
_GB = 1e9
_CLOSE_S = 60.0
_EVERYTHING_BYTES = 1 << 30
_TABLE = "CREATE TABLE reading (tag TEXT, utc_ms INTEGER, value REAL, quality TEXT)"


def measure(scale: Scale) -> Sequence[Figure]:
    """Hours of readings to both stores, then a real run."""
    hours = _HOURS_SHORT if scale.short else _HOURS
    with scratch_folder() as folder:
        ours, rows = _recorded(folder, hours, scale.rounds)
        window_s, settles_s = (_WINDOW_SHORT_S, _SETTLES_SHORT_S) if scale.short else (_WINDOW_S, _SETTLES_S)
        real = _real_run(folder, window_s=window_s, settles_s=settles_s, rounds=scale.rounds)
    spoken = f"{ours.samples} readings of {hours:g} plant hours; the store's files as a stopped site leaves them"
    part_s = hours * 3_600 / scale.rounds
    return [
        Figure(
            name="at rest; bare: a row a reading",
            unit="bytes/sample",
            gateway=[ours.size_bytes / ours.samples],
            baseline=[rows.size_bytes / rows.samples],
            goal=Goal(at_most=4.0),
            work=(ours.samples, rows.samples),
            remark=spoken,
        ),
        Figure(
            name="at rest, real run, chunks joined",
            unit="bytes/sample",
            gateway=[real.joined_bytes / real.samples],
            goal=Goal(at_most=4.0),
            remark=f"{real.samples} readings with the stamps of real lines; the chunks alone, without the file's pages",
        ),
        Figure(
            name="written, hours recorded; bare: a row a reading",
            unit="GB/day",
            gateway=[written * _DAY_S / part_s / _GB for written in ours.written_bytes],
            baseline=[written * _DAY_S / part_s / _GB for written in rows.written_bytes],
            goal=Goal(at_most=0.3),
            work=(ours.samples, rows.samples),
            remark=f"parts of {part_s / 60:g} plant minutes, with joining and the moving of the log",
        ),
        Figure(
            name="written, real run at rate 1, field process",
            unit="GB/day",
            gateway=[written * _DAY_S / window_s / _GB for written in real.written_bytes[PROCESSES[1]]],
            remark=f"windows of {window_s:g} s; in them nothing is joined and no log moved",
        ),
        Figure(
            name="written, real run at rate 1, with the uplink",
            unit="GB/day",
            gateway=[sum(each) * _DAY_S / window_s / _GB for each in zip(*real.written_bytes.values(), strict=True)],
            goal=Goal(at_most=0.3),
        ),
    ]


# --- hours of readings -----------------------------------------------------------------------------------------


@dataclass
class _Kept:
    """What has become of the readings in one store.

    Attributes:
        samples: in it at the end.
        size_bytes: of its files.
        written_bytes: by the kernel's count, in each part of the time.
    """

    samples: int = 0
    size_bytes: int = 0
    written_bytes: list[int] = field(default_factory=list)


def _recorded(folder: Path, hours: float, parts: int) -> tuple[_Kept, _Kept]:
    """The same readings in the gateway's store and as rows, commit by commit."""
    ours, rows = _Kept(), _Kept()
    commits = round(hours * 3_600_000 / parts / _COMMIT_MS)
    with _Recording(folder / "plant.db") as recording, closing(_Rows(folder / "rows.db")) as table:
        for _ in range(parts):
            counted = [0, 0]
            for _ in range(commits):
                counted[0] += recording.until_committed()
                before = written_bytes("self")
                table.keep(recording.taken)
                counted[1] += written_bytes("self") - before
            ours.written_bytes.append(counted[0])
            rows.written_bytes.append(counted[1])
    ours.samples, ours.size_bytes = _samples_in(folder / "plant.db"), _size_bytes(folder, "plant.db")
    rows.samples, rows.size_bytes = table.count, _size_bytes(folder, "rows.db")
    return ours, rows


class _Recording:
    """The demo plant in the direct gear, and the gateway's recorder and housekeeping behind it.

    Attributes:
        taken: the samples of the last commit.
    """

    def __init__(self, path: Path) -> None:
        loaded = load_site(DEMO_SITE)
        self.taken: list[Numbered] = []
        self._n = 0
        self._devices = {name: tag.device for name, tag in loaded.site.tags.items()}
        self._draws = Random(1)  # noqa: S311 - makes test data
        self._run = DirectRun(loaded, EVENTS["calm"])
        gear = self._run.gear
        self._database = Database(path, PLANT, utc_ms=gear.clock.now().utc_ms)
        self._recorder = Recorder(
            database=self._database,
            identity=Identity(run=1, boot_id="bench", configuration=loaded.hash),
            clock=gear.clock,
            interval_ms=_COMMIT_MS,
            first_entry_n=1,
            again=BackOff(first_s=1.0, ceiling_s=30.0, random=Random(1)),  # noqa: S311 - jitter
            on_commit=lambda _: None,
        )
        keeping = Keeping(readers=(), keep_days=loaded.site.site.keep_days, limit_bytes=4_000_000_000)
        self._housekeeper = Housekeeper(database=self._database, keeping=keeping, clock=gear.clock)
        self._joined_ms = gear.clock.now().monotonic_ms
        self._loop = asyncio.Runner()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._database.close(_CLOSE_S)
        self._loop.close()

    def until_committed(self) -> int:
        """Let the plant go on until the next commit of samples is done; the bytes written meanwhile."""
        self.taken.clear()
        before = written_bytes("self")
        while not self._step():
            pass
        return written_bytes("self") - before

    def _step(self) -> bool:
        """One second of the plant; events are committed at once, samples when they are due."""
        gear, image = self._run.gear, self._run.gear._image
        self._run.run_to(self._run.plant.now_ms + 1_000)
        taken = self._arrived_one_by_one(gear.taken)
        self.taken += taken
        entries = self._recorder.note(gear.state, taken, gear.outcome.events, image.taken_others)
        due = self._recorder._samples_due()
        if due or entries:
            assert self._loop.run(self._recorder._commit(with_samples=due))
        if gear.clock.now().monotonic_ms - self._joined_ms >= _JOIN_MS:
            self._joined_ms = gear.clock.now().monotonic_ms
            self._loop.run(self._housekeeper._once())
        return due

    def _arrived_one_by_one(self, taken: Sequence[Sample]) -> list[Numbered]:
        """With stamps as lines give them: each device's reply at a moment of its own in the second before the scan.

        In the direct gear all arrive at once, on the second, which would pack too well.
        """
        before_ms = {device: self._draws.randrange(1_000) for device in self._devices.values()}
        return [self._earlier(one, before_ms.get(self._devices.get(one.tag, ""), 0)) for one in taken]

    def _earlier(self, sample: Sample, by_ms: int) -> Numbered:
        self._n += 1
        tick = sample.arrived
        arrived = replace(tick, monotonic_ms=tick.monotonic_ms - by_ms, utc_ms=tick.utc_ms - by_ms)
        return Numbered(self._n, sample._replace(arrived=arrived, source_utc_ms=arrived.utc_ms))


class _Rows:
    """A table with a row for each reading, as one would begin: tag, stamp, value, quality; equally safe.

    Attributes:
        count: rows in it.
    """

    def __init__(self, path: Path) -> None:
        self.count = 0
        self._database = sqlite3.connect(path, isolation_level=None)
        for setting in ("journal_mode = WAL", "synchronous = FULL"):
            self._database.execute(f"PRAGMA {setting}")
        self._database.execute(_TABLE)

    def keep(self, taken: Sequence[Numbered]) -> None:
        """One commit."""
        self._database.execute("BEGIN")
        self._database.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", map(_row, taken))
        self._database.execute("COMMIT")

    def close(self) -> None:
        """Count and close; the log is moved into the file then."""
        ((self.count,),) = self._database.execute("SELECT count(*) FROM reading").fetchall()
        self._database.close()


def _row(one: Numbered) -> tuple[str, int, float | None, str]:
    sample = one.sample
    match sample.reading:
        case Number(value, quality, _):
            return sample.tag, sample.source_utc_ms, value, quality.value
        case _:
            return sample.tag, sample.source_utc_ms, None, "bad"


def _samples_in(path: Path) -> int:
    """Samples of all chunks, counted one by one."""
    with offline(path) as reader:
        return sum(len(unpack(*one).rows) for one in sample_log.read_after(reader, 0, _EVERYTHING_BYTES))


def _size_bytes(folder: Path, name: str) -> int:
    return sum(file.stat().st_size for file in folder.glob(f"{name}*"))


# --- a real run ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Real:
    """What a real run has left.

    Args:
        written_bytes: by field process and uplink, in each window; the supervisor has no file.
        samples: recorded.
        joined_bytes: of their chunks, joined as housekeeping joins them, five minutes at most into one.
    """

    written_bytes: dict[str, list[int]]
    samples: int
    joined_bytes: int


def _real_run(folder: Path, *, window_s: float, settles_s: float, rounds: int) -> _Real:
    with broker(folder) as office, demo_site(folder, office.port) as (site, _):
        with gateway_of(site) as pids:
            time.sleep(settles_s)
            written: dict[str, list[int]] = {name: [] for name in PROCESSES[1:]}
            for _ in range(rounds):
                before = {name: written_bytes(pids[name]) for name in written}
                time.sleep(window_s)
                for name, each in written.items():
                    each.append(written_bytes(pids[name]) - before[name])
        with offline(site / "record" / "plant.db") as reader:
            chunks = sample_log.read_after(reader, 0, _EVERYTHING_BYTES)
    groups = [chunks[start : start + _JOINED_CHUNKS] for start in range(0, len(chunks), _JOINED_CHUNKS)]
    return _Real(
        written_bytes=written,
        samples=sum(header.last_n - header.first_n + 1 for header, _ in chunks),
        joined_bytes=sum(map(_joined_bytes, groups)),
    )


def _joined_bytes(chunks: Sequence[Chunk]) -> int:
    parts = [unpack(*one) for one in chunks]
    _, body = pack(
        [row for part in parts for row in part.rows],
        [scan for part in parts for scan in part.scans],
        others=[one for part in parts for one in part.others],
        run=chunks[0][0].run,
        configuration=chunks[0][0].configuration,
    )
    return len(body)
