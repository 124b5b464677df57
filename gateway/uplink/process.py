"""The uplink process: what it is made of, and its life from start to farewell. Decides nothing else.

Wires the field process's socket, the publisher, the positions and the
messages together from a loaded site. The clock comes from outside.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

from gateway.configuration.plant import LoadedSite, resolve_secret
from gateway.configuration.schema import Mqtt, Secret
from gateway.core.sample import Number
from gateway.core.tick import Tick
from gateway.local.client import FieldClient
from gateway.local.messages import ChunkHeader, JournalEntry, entries_of
from gateway.publishers.alarm_message import cards
from gateway.publishers.mqtt import MqttPublisher, MqttSettings, Tls
from gateway.publishers.payload import SampleRow, topic_prefix
from gateway.publishers.publisher import Publisher
from gateway.store import chunk
from gateway.store.database import Database
from gateway.store.errors import ChunkDamaged
from gateway.store.migrations import UPLINK
from gateway.uplink.calling import Addressee, Calling
from gateway.uplink.field_link import Connect, FieldLink, OpenChunk, Positions
from gateway.uplink.forwarding import Forwarder, Heartbeat, Notes, Pace, StatusKeeper
from gateway.uplink.picture import Picture
from gateway.uplink.position_file import PositionFile
from gateway.uplink.sending import Sender

log = logging.getLogger(__name__)

DATABASE = "uplink.db"
MQTT_READER = "mqtt"  # whose positions they are; the site's retention may wait for it
_CLOSE_TIMEOUT_S = 10.0

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
        return [_reading(row) for row in chunk.unpack(header, body).rows]


def _reading(row: chunk.SampleRow) -> SampleRow:
    sample = row.sample
    if isinstance(sample.reading, Number):
        quality, value = sample.reading.quality.value, sample.reading.value
    else:
        quality, value = "bad", None
    reason = sample.reading.reason.value
    return SampleRow(n=row.n, tag=sample.tag, utc_ms=sample.source_utc_ms, quality=quality, reason=reason, value=value)


class Uplink:
    """Everything of the process but the files it opens; ``run`` is its life.

    Args:
        loaded: the site.
        publisher: given the state that is the last will, makes the publisher.
        connect_field: opens a connection to the field process.
        open_chunk: unpacks chunks.
        positions: where positions are kept.
        run: start number of this process.
        now: the plant's clock.
        sleep: waits plant seconds.
        pace: how often.
    """

    def __init__(
        self,
        *,
        loaded: LoadedSite,
        publisher: Callable[["Heartbeat"], Publisher],
        connect_field: Connect,
        open_chunk: OpenChunk,
        positions: Positions,
        run: int,
        now: Now,
        sleep: Sleep,
        pace: Pace,
    ) -> None:
        site = loaded.site.site
        self.picture = Picture(now)
        self._notes = Notes(site=site.id, run=run, now=now)
        self._heartbeat = Heartbeat(site=site.id, picture=self.picture, now=now, sleep=sleep, pace=pace)
        self._publisher = publisher(self._heartbeat)
        sender = Sender(self._publisher, greeting=self._heartbeat.greeting, on_set_aside=self._notes.set_aside)
        self._sender = sender
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
            sender=sender,
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
        work = asyncio.ensure_future(self._work())
        stopping = asyncio.ensure_future(stop.wait())
        try:
            await asyncio.wait([work, stopping], return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (work, stopping):
                task.cancel()
            await asyncio.wait([work, stopping])
            await self._publisher.close(self._heartbeat.farewell())
        if not work.cancelled():
            work.result()

    async def _work(self) -> None:
        async with asyncio.TaskGroup() as tasks:
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


async def run_uplink(loaded: LoadedSite, *, now: Now, sleep: Sleep, stop: asyncio.Event) -> None:
    """The uplink process of a site.

    Args:
        loaded: the site; without an MQTT section there is nothing to do but wait for ``stop``.
        now: the plant's clock.
        sleep: waits plant seconds.
        stop: set it to end in order.

    Raises:
        Refused: a secret is not to be had.
        StoreError: ``uplink.db`` cannot be opened.
    """
    mqtt = loaded.site.uplink.mqtt
    if mqtt is None:
        log.warning("no uplink is configured; everything stays at the site")
        await stop.wait()
        return
    settings = settings_of(mqtt, site=loaded.site.site.id, folder=loaded.folder)
    path = loaded.resolve(loaded.site.place.storage_folder) / DATABASE
    database = await asyncio.to_thread(Database, path, UPLINK, utc_ms=now().utc_ms)
    try:
        uplink = Uplink(
            loaded=loaded,
            publisher=lambda heartbeat: MqttPublisher(settings, heartbeat.last_will),
            connect_field=lambda: FieldClient.connect(loaded.resolve(loaded.site.place.socket), "uplink"),
            open_chunk=StoredChunks(),
            positions=PositionFile(database),
            run=database.opened.run,
            now=now,
            sleep=sleep,
            pace=Pace(history_s=mqtt.history_interval_s),
        )
        await uplink.run(stop)
    finally:
        await asyncio.to_thread(database.close, _CLOSE_TIMEOUT_S)


def settings_of(mqtt: Mqtt, *, site: str, folder: Path) -> MqttSettings:
    """The publisher's settings from the site's keys, secrets fetched.

    Raises:
        Refused: a secret is not to be had.
    """
    return MqttSettings(
        host=mqtt.host,
        port=mqtt.port,
        client_id=mqtt.client_id,
        topic_prefix=topic_prefix(mqtt.topic_root, site),
        username=_secret(mqtt.username, folder),
        password=_secret(mqtt.password, folder),
        tls=_tls(mqtt, folder),
        keepalive_s=mqtt.keepalive_s,
        window=mqtt.window,
        message_limit_bytes=mqtt.message_limit_bytes,
    )


def _secret(secret: Secret | None, folder: Path) -> str | None:
    return resolve_secret(secret, folder) if secret is not None else None


def _tls(mqtt: Mqtt, folder: Path) -> Tls | None:
    if mqtt.tls is None:
        return None
    certificate, key = mqtt.tls.certificate_file, mqtt.tls.key_file
    return Tls(
        ca_file=folder / mqtt.tls.ca_file,
        certificate_file=folder / certificate if certificate is not None else None,
        key_file=folder / key if key is not None else None,
    )
