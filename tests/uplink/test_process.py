"""The uplink process whole: a real local socket, a real broker, its own database; and its life over restarts."""

import asyncio
import shutil
import tempfile
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from gateway.configuration.fault import Refused
from gateway.configuration.plant import LoadedSite, load_site
from gateway.core.request import Answer, Request
from gateway.field.clock import SystemClock
from gateway.field.serving import HistoryPart, Server
from gateway.local.messages import Hello, JournalEntry, TagValue, Values
from gateway.uplink.process import run_uplink
from gateway.uplink.receivers import mqtt_settings
from tests.mosquitto import Listener, broker, eventually, listener
from tests.uplink.field_stand_in import Field, Record
from tests.victoriametrics import Metrics, victoria_metrics

MARROWFELL = Path(__file__).parents[2] / "config" / "marrowfell"


@pytest.fixture
def folder() -> Iterator[Path]:
    made = Path(tempfile.mkdtemp(prefix="pg"))  # short: a socket's path has a limit
    yield made
    shutil.rmtree(made)


def site_in(folder: Path, port: int, more: str = "", *, influx: str = "", mqtt: bool = True) -> LoadedSite:
    site = folder / "site"
    shutil.copytree(MARROWFELL, site)
    place = (site / "place.yaml").read_text(encoding="utf-8").replace("port: 1883", f"port: {port}")
    if not mqtt:
        place = place.partition("uplink:")[0] + "uplink:\n"
    if influx:
        read_back = "{api: promql, interval_s: 10}"
        section = f"  influx: {{url: '{influx}', bucket: plant, interval_s: 1, read_back: {read_back}}}\n"
        place = place.replace("uplink:\n", f"uplink:\n{section}")
    (site / "place.yaml").write_text(place.replace("username: null", more or "username: null"), encoding="utf-8")
    return load_site(site)


class FieldProcess:
    """The real local socket in front of a record in memory."""

    def __init__(self, loaded: LoadedSite, record: Record) -> None:
        self.record, self.confirmed = record, dict[tuple[str, str], int]()
        self._field = Field(record)
        self._server = Server(
            path=loaded.resolve(loaded.site.place.socket),
            hello=self._hello,
            status=self._field.status,
            submit=self._submit,
            read_history=self._history,
            confirmed=lambda _peer, confirm: self.confirmed.update({(confirm.reader, confirm.stream): confirm.n}),
            persons_of=lambda _uid: {},
        )

    def _hello(self) -> Hello:
        return self._hello_now

    async def _submit(self, request: Request) -> Answer:
        raise AssertionError(f"the uplink asks for nothing, got {request}")

    def _history(self, stream: str, after_n: int, store: str, limit_bytes: int) -> HistoryPart:
        assert limit_bytes > 0
        part = self.record.part(stream, after_n if store == self.record.store else 0, chunks_at_once=5)
        return part.chunks, part.newest_n, part.gap

    async def start(self) -> None:
        self._hello_now = (await self._field.connect()).hello
        await self._server.start()

    async def close(self) -> None:
        await self._server.close()

    def scan(self, scan: int, **values: float) -> None:
        told = tuple(TagValue(tag=tag.replace("_", "-"), quality="good", value=v, n=scan) for tag, v in values.items())
        self._field.scan = scan
        self._server.publish_values(Values(scan=scan, utc_ms=0, values=told))

    def event(self, entry: JournalEntry) -> None:
        self._server.publish_event(entry)


@asynccontextmanager
async def running(loaded: LoadedSite) -> AsyncIterator[None]:
    clock, stop = SystemClock(), asyncio.Event()
    work = asyncio.ensure_future(run_uplink(loaded, now=clock.now, sleep=clock.sleep, stop=stop))
    try:
        yield
    finally:
        stop.set()
        await work


async def hear(hearing: Listener, found: Any) -> Any:
    return (await asyncio.to_thread(hearing.until, found)).content


def test_a_trip_reaches_the_office_with_event_message_state_and_history_and_nothing_twice(folder: Path) -> None:
    record = Record()
    record.journal("start")
    record.sample_chunk(30)

    async def story(loaded: LoadedSite, hearing: Listener) -> None:
        plant = FieldProcess(loaded, record)
        await plant.start()
        async with running(loaded):
            await hear(hearing, lambda heard: heard.channel == "history")
            plant.scan(1, AIT_510=12.7, ZSC_901=1.0)
            now = SystemClock().now()
            here = {"utc_ms": now.utc_ms, "monotonic_ms": now.monotonic_ms}
            alarm = record.journal("alarm", "TURBIDITY-HIGH", occurrence=1, **here)
            plant.event(alarm)
            plant.event(record.journal("level", "product", facts={"to": "withdrawn"}, **here))
            message = await hear(hearing, lambda heard: heard.channel == "message")
            assert "filter water cloudy" in message.text
            assert "Delivery stopped, valve proven at divert." in message.text
            assert (message.run, message.n) == (alarm.run, alarm.n)
        await plant.close()
        farewell = await hear(hearing, lambda heard: heard.channel == "state" and not heard.content.online)
        assert farewell.reason == "the uplink was stopped"

    with broker(folder) as office, listener(office.port) as hearing:
        asyncio.run(story(site_in(folder, office.port), hearing))
    events = [heard.content for heard in hearing.heard if heard.channel == "event"]
    assert {event.subject for event in events} <= {"", "TURBIDITY-HIGH", "product"}
    assert len({(event.run, event.n) for event in events}) == len(events)
    assert hearing.heard[0].channel == "state"


def test_after_a_restart_the_uplink_goes_on_from_its_position(folder: Path) -> None:
    record = Record()
    record.journal("start")
    record.sample_chunk(5)

    async def story(loaded: LoadedSite, hearing: Listener) -> None:
        plant = FieldProcess(loaded, record)
        await plant.start()
        async with running(loaded):
            await hear(hearing, lambda heard: heard.channel == "history")  # its turn comes when the events' is over
        record.journal("trip", "I-01")
        async with running(loaded):
            second = await hear(hearing, lambda heard: heard.channel == "event")
            assert second.n == 2
        await plant.close()

    with broker(folder) as office, listener(office.port) as hearing:
        asyncio.run(story(site_in(folder, office.port), hearing))
    assert [heard.content.n for heard in hearing.heard if heard.channel == "event"] == [1, 2]


def test_without_a_field_process_the_office_still_learns_that_the_uplink_is_there(folder: Path) -> None:
    async def story(loaded: LoadedSite, hearing: Listener) -> None:
        async with running(loaded):
            state = await hear(hearing, lambda heard: heard.channel == "state")
            assert (state.online, state.field) == (True, "unknown")

    with broker(folder) as office, listener(office.port) as hearing:
        asyncio.run(story(site_in(folder, office.port), hearing))


def test_a_server_for_line_protocol_is_fed_beside_the_office(folder: Path) -> None:
    record = Record()
    record.journal("start")
    record.sample_chunk(30)

    async def story(loaded: LoadedSite, hearing: Listener, metrics: Metrics) -> None:
        plant = FieldProcess(loaded, record)
        await plant.start()
        async with running(loaded):
            await hear(hearing, lambda heard: heard.channel == "history")
            await eventually(lambda: qualities(metrics) == 30)
        await plant.close()

    with (
        broker(folder) as office,
        listener(office.port) as hearing,
        victoria_metrics(folder) as metrics,
    ):
        asyncio.run(story(site_in(folder, office.port, influx=metrics.url), hearing, metrics))


def qualities(metrics: Metrics) -> int:
    return sum(len(samples) for _, samples in metrics.samples("reading_quality"))


def test_with_such_a_server_alone_readings_arrive_and_it_is_said_that_nobody_is_called(
    folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    record = Record()
    record.sample_chunk(30)

    async def story(loaded: LoadedSite, metrics: Metrics) -> None:
        plant = FieldProcess(loaded, record)
        await plant.start()
        async with running(loaded):
            await eventually(lambda: qualities(metrics) == 30)
            await eventually(lambda: plant.confirmed == {("influx", "samples"): 30}, timeout_s=60)
        await plant.close()

    with victoria_metrics(folder) as metrics:
        asyncio.run(story(site_in(folder, 1, influx=metrics.url, mqtt=False), metrics))
    assert "Nobody is told of alarms" in caplog.text


def test_a_secret_that_is_not_there_refuses_the_start(folder: Path) -> None:
    loaded = site_in(folder, 1883, more="username: {file: no-such-file}")
    mqtt = loaded.site.uplink.mqtt
    assert mqtt is not None
    with pytest.raises(Refused):
        mqtt_settings(mqtt, site="marrowfell", folder=loaded.folder)


def test_stopping_without_a_broker_takes_no_time(folder: Path) -> None:
    async def story(loaded: LoadedSite) -> None:
        async with asyncio.timeout(10):
            async with running(loaded):
                await eventually((loaded.folder / "record" / "uplink.db").exists)

    asyncio.run(story(site_in(folder, 1)))
