"""A field process as the uplink sees it, without one: a record in memory, packed as the store packs it."""

import asyncio
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number, Sample
from gateway.core.tick import Tick
from gateway.local.client import FieldAway, HistoryPart, Live
from gateway.local.messages import (
    AlarmStatus,
    Answered,
    ChunkHeader,
    Hello,
    JournalEntry,
    LiveEvent,
    OutputStatus,
    Status,
    TagValue,
    Values,
)
from gateway.local.signed import digest
from gateway.store import chunk, journal
from gateway.uplink.field_link import Position

SITE, STORE, START_UTC_MS = "marrowfell", "store-1", 1_740_562_260_000


@dataclass
class Clock:
    """Plant time that runs with real time, so many times faster, or stands until it is moved."""

    rate: float = 50.0
    began_s: float = field(default_factory=lambda: asyncio.get_running_loop().time())
    leap_ms: int = 0  # time that has passed at once

    def now(self) -> Tick:
        ms = int((asyncio.get_running_loop().time() - self.began_s) * 1000 * self.rate)
        return Tick(monotonic_ms=self.leap_ms + ms, utc_ms=START_UTC_MS + self.leap_ms + ms)

    async def sleep(self, duration_s: float) -> None:
        await asyncio.sleep(duration_s / self.rate)


class Record:
    """What the store of a field process holds."""

    def __init__(self, *, store: str = STORE, run: int = 3) -> None:
        self.store, self.run = store, run
        self.entries: list[JournalEntry] = []
        self.samples: list[list[chunk.SampleRow]] = []
        self.sample_n = 0

    def journal(self, kind: str, subject: str = "", **other: Any) -> JournalEntry:
        n = len(self.entries) + 1
        given = {"scan": n, "monotonic_ms": n * 1_000, "utc_ms": START_UTC_MS + n * 1_000, "utc_trusted": True}
        entry = JournalEntry(n=n, run=self.run, kind=kind, subject=subject, **{**given, **other})
        self.entries.append(entry)
        return entry

    def sample_chunk(self, count: int) -> None:
        rows = []
        for _ in range(count):
            self.sample_n += 1
            ms = self.sample_n * 1_000
            reading = NoNumber(Reason.NO_ANSWER) if self.sample_n % 10 == 0 else Number(self.sample_n % 97 / 10)
            arrived = Tick(monotonic_ms=ms, utc_ms=START_UTC_MS + ms)
            sample = Sample(tag="AIT-510", reading=reading, arrived=arrived, source_utc_ms=START_UTC_MS + ms)
            rows.append(chunk.SampleRow(n=self.sample_n, scan=self.sample_n, sample=sample))
        self.samples.append(rows)

    def part(self, stream: str, after_n: int, chunks_at_once: int) -> HistoryPart:
        if stream == "journal":
            fresh = [entry for entry in self.entries if entry.n > after_n]
            packed = [_journal_chunk(fresh[at : at + 50]) for at in range(0, len(fresh), 50)]
            newest_n = len(self.entries)
        else:
            fitting = [rows for rows in self.samples if rows[-1].n > after_n]
            packed = [chunk.pack(rows, [], run=self.run, configuration="c0ffee") for rows in fitting[:chunks_at_once]]
            newest_n = self.sample_n
        return HistoryPart(chunks=tuple(packed[:chunks_at_once]), newest_n=newest_n, gap="")


def _journal_chunk(entries: Sequence[JournalEntry]) -> tuple[ChunkHeader, bytes]:
    body = b"\n".join(journal.canonical(entry) for entry in entries)
    header = ChunkHeader(
        stream="journal",
        run=entries[0].run,
        first_n=entries[0].n,
        last_n=entries[-1].n,
        first_utc_ms=entries[0].utc_ms,
        last_utc_ms=entries[-1].utc_ms,
        configuration="c0ffee",
        checksum=0,
        size_bytes=len(body),
    )
    return header, body


class Field:
    """A running field process: ``connect`` gives links to it, ``crash`` ends them all."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self.alive = True
        self.scan = 0
        self.level = {"product": "permitted", "feed": "idle", "supply": "idle"}
        self.alarms: dict[str, tuple[str, int]] = {}
        self.links: list[Link] = []
        self.confirmed: dict[tuple[str, str], int] = {}
        self.asked: list[tuple[str, int]] = []
        self.asked_afar: list[bytes] = []

    async def connect(self) -> "Link":
        if not self.alive:
            raise FieldAway("nobody listens")
        link = Link(self)
        self.links.append(link)
        return link

    def crash(self) -> None:
        self.alive = False
        for link in self.links:
            link.feed.put_nowait(None)

    def restart(self) -> None:
        self.alive, self.scan = True, 0
        self.record.run += 1

    def values(self, **values: float | None) -> None:
        self.scan += 1
        told = tuple(
            TagValue(
                tag=tag.replace("_", "-"),
                quality="bad" if value is None else "good",
                value=value,
                reason="no_sample_flow" if value is None else "ok",
                utc_ms=START_UTC_MS + self.scan * 1_000,
                n=self.scan,
            )
            for tag, value in values.items()
        )
        self._tell(Values(scan=self.scan, utc_ms=START_UTC_MS + self.scan * 1_000, values=told))

    def event(self, entry: JournalEntry) -> JournalEntry:
        self._tell(LiveEvent(entry=entry))
        return entry

    def stand(self, output: str, level: str) -> None:
        self.level[output] = level
        self.event(self.record.journal("level", output, facts={"from": "", "to": level, "code": 0}))

    def _tell(self, news: Live) -> None:
        for link in self.links:
            link.feed.put_nowait(news)

    def status(self) -> Status:
        safe = {"product": "withdrawn", "feed": "stop", "supply": "stop"}
        outputs = tuple(
            OutputStatus(
                output=name,
                service=name,
                level=level,
                safe=level == safe[name],
                confirmed=True,
                proven=False,
                reasons=(),
                since_utc_ms=0,
            )
            for name, level in self.level.items()
        )
        alarms = tuple(
            AlarmStatus(
                alarm=alarm, state=state, priority="P1", occurrence=n, since_utc_ms=0, says="cloudy", action="look"
            )
            for alarm, (state, n) in self.alarms.items()
        )
        return Status(id=1, utc_ms=0, scan=self.scan, outputs=outputs, interlocks=(), alarms=alarms, tags=())


class Link:
    """One connection to it."""

    def __init__(self, running: Field) -> None:
        self._field = running
        self.feed: asyncio.Queue[Live | None] = asyncio.Queue()
        record = running.record
        self.hello = Hello(site=SITE, store=record.store, run=record.run, configuration="c0ffee")
        self.watched = False

    def _check(self) -> None:
        if not self._field.alive:
            raise FieldAway("the connection was lost")

    async def watch(self) -> AsyncIterator[Live]:
        self.watched = True
        while (news := await self.feed.get()) is not None:
            yield news
        raise FieldAway("the connection was lost")

    async def history(self, stream: str, after_n: int, store: str) -> HistoryPart:
        self._check()
        assert store == self._field.record.store
        self._field.asked.append((stream, after_n))
        await asyncio.sleep(0)
        return self._field.record.part(stream, after_n, chunks_at_once=5)

    async def confirm(self, reader: str, stream: str, n: int) -> None:
        self._check()
        self._field.confirmed[reader, stream] = n

    async def status(self) -> Status:
        self._check()
        return self._field.status()

    async def ask_afar(self, octets: bytes) -> Answered:
        self._field.asked_afar.append(octets)
        return Answered(id=digest(octets), granted=True, text="Done.")

    async def close(self) -> None:
        await asyncio.sleep(0)


class PositionsInMemory:
    """Positions; ``moves`` shows each move in order."""

    def __init__(self) -> None:
        self.known: dict[tuple[str, str], Position] = {}
        self.moves: list[tuple[str, str, int]] = []

    async def get(self, reader: str, stream: str) -> Position | None:
        return self.known.get((reader, stream))

    async def set(self, reader: str, stream: str, position: Position) -> None:
        await asyncio.sleep(0)
        self.known[reader, stream] = position
        self.moves.append((reader, stream, position.n))
