"""The uplink process: what it is made of, and its life from start to farewell. Decides nothing else.

Wires the field process's socket, the publisher, the positions and the
messages together from a loaded site. The clock comes from outside.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Coroutine, Mapping, Sequence
from zoneinfo import ZoneInfo

from gateway.configuration.plant import LoadedSite
from gateway.configuration.schema import Influx
from gateway.configuration.schema.points import PointKeys
from gateway.core.sample import NoNumber, Text
from gateway.core.tick import Tick
from gateway.local import signed
from gateway.local.client import FieldClient
from gateway.local.messages import ChunkHeader, JournalEntry, entries_of
from gateway.publishers.alarm_message import cards
from gateway.publishers.columns import tag_table, tags_parcel
from gateway.publishers.influx import InfluxServer
from gateway.publishers.mqtt import Ears, MqttPublisher
from gateway.publishers.payload import SampleRow
from gateway.publishers.publisher import Channel, Publisher
from gateway.store import chunk
from gateway.store.ballast import Ballast, opened_with
from gateway.store.database import Database
from gateway.store.errors import ChunkDamaged
from gateway.store.migrations import UPLINK
from gateway.uplink.allowance import Allowance
from gateway.uplink.calling import Addressee, Calling
from gateway.uplink.field_link import Connect, FieldLink, OpenChunk, Positions
from gateway.uplink.forwarding import Forwarder, Heartbeat, Notes, Pace, StatusKeeper
from gateway.uplink.from_afar import FromAfar
from gateway.uplink.line_feed import FeedManner, LineFeed
from gateway.uplink.picture import Picture
from gateway.uplink.position_file import PositionFile
from gateway.uplink.receivers import influx_settings, mqtt_settings
from gateway.uplink.sending import Sender
from gateway.uplink.thinning import ReportRule, Thinning

log = logging.getLogger(__name__)

DATABASE = "uplink.db"
MQTT_READER, INFLUX_READER = "mqtt", "influx"  # whose positions they are; the site's retention waits for them
_CLOSE_TIMEOUT_S = 10.0
_BALLAST_BYTES = 1_048_576  # positions are few, and a start on a full disk needs little

Now = Callable[[], Tick]
Sleep = Callable[[float], Awaitable[None]]


class StoredChunks:
    """Unpacks chunks as ``gateway.store`` packs them."""

    def entries(self, header: ChunkHeader, body: bytes) -> Sequence[JournalEntry]:
        """Lines of the journal; raises ``ChunkDamaged``."""
        try:
            return entries_of(body)
        except ValueError as error:  # msgspec's errors are
            raise ChunkDamaged(f"journal {header.first_n} to {header.last_n} cannot be read: {error}") from error

    def readings(self, header: ChunkHeader, body: bytes) -> Sequence[SampleRow]:
        """Readings in engineering units; raises ``ChunkDamaged``."""
        columns = chunk.columns_of(header, body)
        told = [_told(sort) for sort in columns.sorts]
        each = zip(columns.tags, columns.source_utc_ms, columns.utc_trusted, columns.sort, columns.values, strict=True)
        rows = []
        for n, (tag, utc_ms, trusted, sort, value) in enumerate(each, columns.first_n):
            is_number, quality, reason, text = told[sort]
            shown = value if is_number else text
            rows.append(
                SampleRow(n=n, tag=tag, utc_ms=utc_ms, quality=quality, reason=reason, value=shown, utc_trusted=trusted)
            )
        return rows


def _told(sort: chunk.Sort) -> tuple[bool, str, str, str | None]:
    """Whether it is a number, its quality and reason, and what stands in the place of a number."""
    match sort:
        case NoNumber(reason):
            return False, "bad", reason.value, None
        case Text(text):
            return False, "good", "ok", text
        case quality, reason:
            return True, quality.value, reason.value, None


def report_rules(points: Mapping[str, PointKeys]) -> dict[str, ReportRule]:
    """When each tag is reported upstream."""
    return {
        tag: ReportRule(deadband=keys.report_deadband, at_least_ms=round(keys.report_at_least_s * 1_000))
        for tag, keys in points.items()
    }


class Uplink:
    """Everything towards the office but the files it opens; ``run`` is its life.

    Args:
        loaded: the site.
        publisher: given the state that is the last will, and what is to be listened to, makes the publisher.
        connect_field: opens a connection to the field process.
        open_chunk: unpacks chunks.
        positions: where positions are kept.
        notes: events of the uplink's own.
        now: the plant's clock.
        sleep: waits plant seconds.
        pace: how often.
        month_mb: megabytes a month; None is without a bound.
        troubles: what else is wrong with what goes upstream, in words.
    """

    def __init__(
        self,
        *,
        loaded: LoadedSite,
        publisher: Callable[["Heartbeat", Ears | None], Publisher],
        connect_field: Connect,
        open_chunk: OpenChunk,
        positions: Positions,
        notes: Notes,
        now: Now,
        sleep: Sleep,
        pace: Pace,
        month_mb: float | None,
        troubles: Callable[[], tuple[str, ...]] = tuple,
    ) -> None:
        site = loaded.site.site
        table = tag_table(loaded.site.points, site=site.id, configuration=loaded.hash)
        self.picture = Picture(now)
        self._notes = notes
        self._heartbeat = Heartbeat(
            site=site.id,
            picture=self.picture,
            now=now,
            sleep=sleep,
            pace=pace,
            troubles=lambda: (*troubles(), *self._allowance.troubles()),
            used_bytes=lambda: self._allowance.used_bytes(),  # noqa: PLW0108 - made below
        )
        asked_from_afar = any(person.afar_key is not None for person in loaded.site.people.values())
        ears = Ears(channel=Channel.REQUEST, heard=self._heard, limit_bytes=signed.LIMIT_BYTES)
        self._publisher = publisher(self._heartbeat, ears if asked_from_afar else None)
        self._allowance = Allowance(
            month_mb=month_mb,
            zone=ZoneInfo(site.time_zone),
            wire_bytes=lambda: self._publisher.wire_bytes,
            positions=positions,
            now=now,
            sleep=sleep,
        )
        sender = Sender(
            self._publisher,
            greeting=self._heartbeat.greeting,
            introduction=[tags_parcel(table)],
            on_set_aside=self._notes.set_aside,
        )
        self._sender = sender
        self._from_afar = FromAfar(site=site.id, sender=sender)
        self._status = StatusKeeper(picture=self.picture, now=now, sleep=sleep)
        self._calling = Calling(
            addressee=Addressee(site=site.id, name=site.id, zone=ZoneInfo(site.time_zone)),
            cards=cards(loaded.plant),
            outputs=loaded.plant.outputs,
            picture=self.picture,
            sender=sender,
            positions=positions,
            notes=self._notes,
            open_chunk=open_chunk,
            now=now,
            sleep=sleep,
        )
        self._forwarder = Forwarder(
            site=site.id,
            reader=MQTT_READER,
            connect_field=connect_field,
            open_chunk=open_chunk,
            table=table,
            thinning=Thinning(report_rules(loaded.site.points)),
            sender=sender,
            allowance=self._allowance,
            picture=self.picture,
            positions=positions,
            notes=self._notes,
            now=now,
            sleep=sleep,
            on_entry=self._calling.hear,
            alongside=self._alongside,
            pace=pace,
        )

    async def run(self, stop: asyncio.Event) -> None:
        """Until ``stop`` is set; then the farewell. Any fault of ours ends it with that fault, after a farewell."""
        try:
            await _until(stop, self._work())
        finally:
            await self._publisher.close(self._heartbeat.farewell())
            await self._allowance.keep()

    async def _work(self) -> None:
        await self._allowance.keep()  # what an earlier process has used counts before anything is sent
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._allowance.run(), name="allowance")
            tasks.create_task(self._keep_connected(), name="connection")
            tasks.create_task(self._forwarder.run(), name="forwarding")
            tasks.create_task(self._calling.run(), name="calling")
            tasks.create_task(
                self._heartbeat.run(
                    self._sender, lambda: (self._forwarder.events.behind, self._forwarder.history.behind)
                ),
                name="heartbeat",
            )

    async def _keep_connected(self) -> None:
        """So that the office sees the site even when there is nothing to send."""
        while True:
            await self._sender.ready()
            await self._publisher.lost()

    async def _alongside(self, link: FieldLink) -> None:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._status.run(link), name="status")
            tasks.create_task(self._calling.follow(link), name="messages from the journal")
            tasks.create_task(self._from_afar.run(link), name="requests from afar")

    def _heard(self, octets: bytes) -> None:
        self._from_afar.heard(octets)


async def run_uplink(loaded: LoadedSite, *, now: Now, sleep: Sleep, stop: asyncio.Event) -> None:
    """The uplink process of a site.

    Args:
        loaded: the site; without any receiver there is nothing to do but wait for ``stop``.
        now: the plant's clock.
        sleep: waits plant seconds.
        stop: set it to end in order.

    Raises:
        Refused: a secret is not to be had.
        StoreError: ``uplink.db`` cannot be opened.
    """
    keys, site = loaded.site.uplink, loaded.site.site.id
    mqtt = mqtt_settings(keys.mqtt, site=site, folder=loaded.folder) if keys.mqtt is not None else None
    influx = influx_settings(keys.influx, site=site, folder=loaded.folder) if keys.influx is not None else None
    _say_what_is_missing(loaded)
    if mqtt is None and influx is None:
        await stop.wait()
        return
    path = loaded.resolve(loaded.site.place.storage_folder) / DATABASE
    ballast = Ballast(path.with_suffix(".ballast"), _BALLAST_BYTES)
    database = await asyncio.to_thread(opened_with, ballast, lambda: Database(path, UPLINK, utc_ms=now().utc_ms))
    if ballast.fits:
        await asyncio.to_thread(ballast.try_to_reserve)
    notes = Notes(site=site, run=database.opened.run, now=now)
    positions = PositionFile(database)
    server = InfluxServer(influx) if influx is not None else None
    feed = None
    if server is not None and keys.influx is not None:
        feed = _feed(loaded, keys.influx, server, positions=positions, notes=notes, now=now, sleep=sleep)
    try:
        async with asyncio.TaskGroup() as tasks:
            if feed is not None:
                tasks.create_task(_until(stop, feed.run()), name="line feed")
            if mqtt is not None and keys.mqtt is not None:
                uplink = Uplink(
                    loaded=loaded,
                    publisher=lambda heartbeat, ears: MqttPublisher(mqtt, heartbeat.last_will, ears=ears),
                    connect_field=_connect(loaded, "uplink"),
                    open_chunk=StoredChunks(),
                    positions=positions,
                    notes=notes,
                    now=now,
                    sleep=sleep,
                    month_mb=keys.mqtt.month_mb,
                    pace=Pace(history_s=keys.mqtt.history_interval_s, live_s=keys.mqtt.live_interval_s),
                    troubles=feed.troubles if feed is not None else tuple,
                )
                tasks.create_task(uplink.run(stop), name="office")
    finally:
        if server is not None:
            server.close()
        await asyncio.to_thread(database.close, _CLOSE_TIMEOUT_S)
        await asyncio.to_thread(ballast.try_to_reserve)  # the log is gone, and its room with it


def _say_what_is_missing(loaded: LoadedSite) -> None:
    keys = loaded.site.uplink
    if keys.mqtt is None and keys.influx is None:
        log.warning("no uplink is configured; everything stays at the site")
    elif keys.mqtt is None:
        log.warning(
            "no office broker is configured: readings alone go upstream. Nobody is told of alarms, messages about"
            " them stay unsent; add uplink.mqtt, or have somebody watch the site's own alarm list"
        )


def _feed(
    loaded: LoadedSite,
    keys: Influx,
    server: InfluxServer,
    *,
    positions: Positions,
    notes: Notes,
    now: Now,
    sleep: Sleep,
) -> LineFeed:
    return LineFeed(
        manner=FeedManner(
            site=loaded.site.site.id,
            measurement=keys.measurement,
            reader=INFLUX_READER,
            rows=keys.batch_rows,
            interval_s=keys.interval_s,
            read_back_s=keys.read_back.interval_s if keys.read_back is not None else None,
        ),
        server=server,
        connect_field=_connect(loaded, "line feed"),
        open_chunk=StoredChunks(),
        thinning=Thinning(report_rules(loaded.site.points)),
        positions=positions,
        notes=notes,
        now=now,
        sleep=sleep,
    )


def _connect(loaded: LoadedSite, name: str) -> Connect:
    return lambda: FieldClient.connect(loaded.resolve(loaded.site.place.socket), name)


async def _until(stop: asyncio.Event, work: Coroutine[None, None, None]) -> None:
    """Work until ``stop`` is set; a fault of the work ends it with that fault."""
    working = asyncio.ensure_future(work)
    stopping = asyncio.ensure_future(stop.wait())
    try:
        await asyncio.wait([working, stopping], return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in (working, stopping):
            task.cancel()
        await asyncio.wait([working, stopping])
    if not working.cancelled():
        working.result()
