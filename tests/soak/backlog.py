"""E08: the data link is lost for days, and comes back. What the office sees then, in which order, and what it costs.

The backlog is the demo site's own, computed in the direct gear and packed as
the store packs it; the field process is a stand-in that hands it over. From
there on everything is real: the whole uplink, the broker behind TLS, the lost
link, and an office that reads the messages by their description alone.
"""

import asyncio
import math
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gateway.configuration.plant import LoadedSite, load_site
from gateway.local.client import HistoryPart
from gateway.local.messages import ChunkHeader
from gateway.publishers import payload
from gateway.publishers.backoff import Backoff
from gateway.publishers.mqtt import MqttPublisher, MqttSettings
from gateway.store import chunk
from gateway.uplink.forwarding import Notes, Pace
from gateway.uplink.process import StoredChunks, Uplink
from simulator.events import EVENTS
from simulator.site import DEMO_SITE
from tests.acceptance.office import Office, gaps, gaps_between, last_answered
from tests.acceptance.play import until
from tests.soak.day import Minute, minutes
from tests.soak.wire import MeteredLink, metered_link
from tests.uplink.field_stand_in import START_UTC_MS, Clock, Field, PositionsInMemory, Record

BEFORE_MINUTES = 10
JOINED_MINUTES = 5  # what housekeeping makes of thirty commits
ANSWER_BYTES = 262_144  # what the field process hands over at a time
OVER, STANDING = "TURBIDITY-HIGH", "CHLORINE-LOW"
BACKLOG_H, BUDGET_BYTES, WITHIN_S = 72.0, 10_000_000, 3_600.0  # of the demo's scenario
_HOUR_MS = 3_600_000
LIVE_WITHIN_S = 5.0
SOON_SENT_H = 1.0  # a shorter backlog is sent in a moment, perhaps between two looks at how much is left
_STANDS_MS = 360_000  # so long before the link returns the alarm came that stands then
_LIVE_S = 5.0
_PATIENCE_S = 3_600.0


class Backlog(Record):
    """A record of packed chunks, so that days of it fit into memory."""

    def __init__(self, configuration: str) -> None:
        super().__init__()
        self._configuration = configuration
        self._chunks: list[tuple[ChunkHeader, bytes]] = []
        self._waiting: list[Minute] = []

    def add(self, some: Iterable[Minute], *, shift_ms: int) -> None:
        """Put minutes in, their stamps moved so far."""
        for minute in some:
            self._waiting.append(minute)
            for event in minute.events:
                self.journal(event.kind.value, event.subject, utc_ms=minute.utc_ms + shift_ms)
            if len(self._waiting) == JOINED_MINUTES:
                self._pack(shift_ms)
        self._pack(shift_ms)

    def _pack(self, shift_ms: int) -> None:
        rows = [
            chunk.SampleRow(n=n, scan=n, sample=sample._replace(source_utc_ms=sample.source_utc_ms + shift_ms))
            for minute in self._waiting
            for n, sample in enumerate(minute.samples, minute.first_n)
        ]
        self._waiting.clear()
        if rows:
            self._chunks.append(chunk.pack(rows, [], run=self.run, configuration=self._configuration))
            self.sample_n = rows[-1].n

    def part(self, stream: str, after_n: int, chunks_at_once: int) -> HistoryPart:
        """See ``Record``."""
        if stream == "journal":
            return super().part(stream, after_n, chunks_at_once)
        given: list[tuple[ChunkHeader, bytes]] = []
        size = 0
        for header, body in self._chunks:
            if header.last_n <= after_n:
                continue
            if given and size + len(body) > ANSWER_BYTES:
                break
            given.append((header, body))
            size += len(body)
        return HistoryPart(chunks=tuple(given), newest_n=self.sample_n, gap="")


class WatchingOffice(Office):
    """Notes in which order what arrived.

    Attributes:
        arrivals: kind, the last number that a history message answers for, and real seconds.
    """

    def __init__(self, port: int) -> None:
        self.arrivals: list[tuple[str, int, float]] = []
        super().__init__(port)

    def _take(self, kind: str, content: dict[str, Any]) -> None:
        self.arrivals.append((kind, content.get("last_n", 0), time.monotonic()))
        super()._take(kind, content)


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """What came after the link was back.

    Args:
        hours: it was lost.
        recorded: readings of that time.
        sent: readings the office has of it.
        events: of that time.
        said_late: it was told how many readings were still to come.
        said_whole: and, afterwards, that none were.
        late_events: events that came after the first history message.
        live_s: real seconds from the first message to the first newest values.
        in_order: history messages followed one another.
        missing: events and readings that never came.
        doubles: what came twice.
        told: alarms about which people were sent a message.
        told_late: the message says that it is late.
        octets: on the wire, from the moment the link was back.
        real_s: how long it took.
        faults: messages that do not fit their description.
    """

    hours: float
    recorded: int
    sent: int
    events: int
    said_late: bool
    said_whole: bool
    late_events: int
    live_s: float
    in_order: bool
    missing: list[str]
    doubles: int
    told: list[str]
    told_late: bool
    octets: int
    real_s: float
    faults: list[str]

    @property
    def wrong(self) -> list[str]:
        """What was not kept of the promises, in words; empty when everything was."""
        promises = {
            "the state says that the data are late": self.said_late or self.hours < SOON_SENT_H,
            "the state says that all is there": self.said_whole,
            "every event before any history": self.late_events == 0,
            "newest values do not wait for the end of the history": self.live_s <= LIVE_WITHIN_S,
            "history in order": self.in_order,
            "nothing missing": not self.missing,
            "nothing twice": self.doubles == 0,
            "people told of what still stands, and of nothing else": self.told == [STANDING],
            "told that it is late": self.told_late,
            "within the data": self.octets <= BUDGET_BYTES * max(1.0, self.hours / BACKLOG_H),
            "within the time": self.real_s <= WITHIN_S,
            "messages fit their description": not self.faults,
        }
        return [promise for promise, kept in promises.items() if not kept]


def lost_for(hours: float, *, seed: int = 1) -> Returned:
    """Lose the link for so long, and give it back; ``seed`` is of the plant's noise."""
    site = load_site(DEMO_SITE)
    with tempfile.TemporaryDirectory(prefix="pgs") as folder, metered_link(Path(folder)) as link:
        office = WatchingOffice(link.office_port)
        try:
            return asyncio.run(_story(site, link, office, hours, seed))
        finally:
            office.close()


async def _story(site: LoadedSite, link: MeteredLink, office: WatchingOffice, hours: float, seed: int) -> Returned:
    record, clock = Backlog(site.hash), Clock(rate=60.0)
    field = Field(record)
    calm = replace(EVENTS["calm"], lead_ms=0)
    coming = minutes(site, calm, hours + BEFORE_MINUTES / 60, seed=seed)
    first = [next(coming) for _ in range(BEFORE_MINUTES)]
    shift_ms = START_UTC_MS - first[-1].utc_ms
    record.journal("start")
    record.add(first, shift_ms=shift_ms)
    stop = asyncio.Event()
    uplink = _uplink(site, link, field, clock)
    running = asyncio.create_task(uplink.run(stop))
    living = asyncio.create_task(_live(field))
    try:
        await until(lambda: last_answered(office.answered) == record.sample_n, "what came before the loss")
        before_n, before_events = record.sample_n, len(record.entries)
        link.proxy.switch(is_open=False)
        await until(lambda: not office.states[-1]["online"], "the office sees that the site is gone")
        _alarm(field, clock, OVER)
        await asyncio.to_thread(record.add, coming, shift_ms=shift_ms)
        clock.leap_ms = round(hours * _HOUR_MS) - _STANDS_MS
        field.alarms.clear()
        _alarm(field, clock, STANDING)
        clock.leap_ms += _STANDS_MS
        await until(lambda: _standing(uplink) == {STANDING}, "the uplink knows what stands")
        seen, states = len(office.arrivals), len(office.states)
        octets, began_s = link.proxy.wire_bytes(), time.monotonic()
        link.proxy.switch(is_open=True)
        await until(lambda: last_answered(office.answered) == record.sample_n, "the whole", within_s=_PATIENCE_S)
        real_s, octets = time.monotonic() - began_s, link.proxy.wire_bytes() - octets
        await until(lambda: bool(office.texts(STANDING)), "the message about what still stands")
        await until(lambda: office.states[-1]["readings_behind"] == 0, "the office is told that all is there")
    finally:
        living.cancel()
        stop.set()
        await running
    came, told = office.arrivals[seen:], office.states[states:]
    ends = [last_n for kind, last_n, _ in came if kind == "history"]
    kinds = [kind for kind, *_ in came]
    live_s = next((at_s for kind, _, at_s in came if kind == "live"), math.inf) - came[0][2]
    messages = [one for one in office.messages if one["alarm"] in {OVER, STANDING}]
    return Returned(
        hours=hours,
        recorded=record.sample_n - before_n,
        sent=sum(n > before_n for _, n in office.readings),
        events=len(record.entries) - before_events,
        said_late=any(one["readings_behind"] > 0 for one in told),
        said_whole=told[-1]["readings_behind"] == 0,
        late_events=kinds[kinds.index("history") :].count("event"),
        live_s=live_s,
        in_order=ends == sorted(ends),
        missing=gaps(office.events) + gaps_between(office.answered),
        doubles=sum(office.doubles.values()),
        told=[one["alarm"] for one in messages],
        told_late=all("Told late" in one["more"] for one in messages),
        octets=octets,
        real_s=real_s,
        faults=office.faults,
    )


def _uplink(site: LoadedSite, link: MeteredLink, field: Field, clock: Clock) -> Uplink:
    settings = MqttSettings(
        host="127.0.0.1",
        port=link.proxy.port,
        client_id="marrowfell",
        topic_prefix=payload.topic_prefix("purplegate", "marrowfell"),
        tls=link.tls,
        keepalive_s=120,
        backoff=Backoff(first_s=0.1, ceiling_s=1.0),
    )
    return Uplink(
        loaded=site,
        publisher=lambda heartbeat, _: MqttPublisher(settings, heartbeat.last_will),
        connect_field=field.connect,
        open_chunk=StoredChunks(),
        positions=PositionsInMemory(),
        notes=Notes(site=site.site.site.id, run=1, now=clock.now),
        now=clock.now,
        sleep=clock.sleep,
        pace=Pace(live_s=_LIVE_S),
        month_mb=30.0,
    )


def _alarm(field: Field, clock: Clock, alarm: str) -> None:
    """One that comes now and is heard live."""
    now = clock.now()
    field.alarms[alarm] = ("UNACK", 1)
    at = {"utc_ms": now.utc_ms, "monotonic_ms": now.monotonic_ms}
    field.event(field.record.journal("alarm", alarm, occurrence=1, **at))


def _standing(uplink: Uplink) -> set[str]:
    status = uplink.picture.status
    return {alarm.alarm for alarm in status.alarms} if status is not None else set()


async def _live(field: Field) -> None:
    """Newest values, while everything else goes on."""
    value = 0.0
    while True:
        value += 0.1
        field.values(AIT_510=value)
        await asyncio.sleep(0.2)
