"""The field process as a whole, without devices: how it starts, serves, and ends with the permission withdrawn."""

import asyncio
import os
from collections.abc import Awaitable, Callable
from contextlib import suppress
from pathlib import Path

import pytest

from gateway.core.outcome import Event, EventKind
from gateway.core.sample import Number
from gateway.core.scan import Moment
from gateway.core.state import rules_of
from gateway.drivers.errors import NoAnswer
from gateway.field import scanning, site
from gateway.field.answering import AnswerDesk
from gateway.field.clock import ManualClock
from gateway.field.housekeeping import Housekeeper, Keeping
from gateway.field.image import InputImage
from gateway.field.scanning import Scanner
from gateway.field.serving import Server
from gateway.field.site import History, LiveTelling, Parts
from gateway.local.client import FieldClient
from gateway.local.messages import Ask, Confirm, Hello, LiveEvent, Values
from gateway.store import positions
from tests.core.plants import PERMIT, PLANT
from tests.core.plants import Bench as Decisions
from tests.field.fieldbench import WAIT_S, Controller, Disk, actuation_on, recorder_on, until

PERSONS = {"VISITOR-OP": "VISITOR-OP"}


class Running:
    """A field process whose time runs with the event loop: a scan every few real milliseconds."""

    def __init__(self, tmp_path: Path, disk: Disk) -> None:
        decisions = Decisions()
        decisions.deliver()
        state = decisions.state
        self.clock = ManualClock(monotonic_ms=state.tick.monotonic_ms, utc_ms=state.tick.utc_ms)
        self.decisions = decisions
        self.disk = disk
        self.image = InputImage()
        self.desk = AnswerDesk(self.image, writable=lambda: True, patience_s=WAIT_S)
        self.controller = Controller(registers=[700, PERMIT, 0, 0])
        self.actuation = actuation_on(self.controller, self.image, self.clock)
        telling = LiveTelling(self.image)
        recorder = recorder_on(disk, self.clock, self._committed)
        self.scanner = Scanner(
            rules=rules_of(PLANT),
            state=state,
            beginnings=[Event(kind=EventKind.START)],
            image=self.image,
            clock=self.clock,
            period_ms=1_000,
            actuation=self.actuation,
            pollers=[],
            recorder=recorder,
            tell=telling.tell,
            answer=self.desk.answered,
        )
        history = History(disk, ["uplink"])
        self.socket = tmp_path / "field.sock"
        telling.server = Server(
            path=self.socket,
            hello=lambda: Hello(site="test", store=disk.opened.store, run=disk.opened.run),
            status=lambda: site.status(self.parts),
            submit=self.desk.submit,
            read_history=history.read,
            confirmed=history.confirm,
            persons_of=lambda user: PERSONS if user == os.getuid() else {},
        )
        self.parts = Parts(
            clock=self.clock,
            image=self.image,
            database=disk,
            scanner=self.scanner,
            recorder=recorder,
            housekeeper=Housekeeper(
                database=disk, keeping=Keeping(readers=["uplink"], keep_days=90, limit_bytes=10**9), clock=self.clock
            ),
            desk=self.desk,
            pollers=[],
            actuation=self.actuation,
            server=telling.server,
        )
        self.stopped = asyncio.Event()

    def _committed(self, scan: int) -> None:
        self.desk.committed(scan)
        self.actuation.committed(scan)

    async def time_runs(self) -> None:
        """Half a plant second every few milliseconds, with fresh samples."""
        while True:
            self.decisions.monotonic_ms, self.decisions.utc_ms = (
                self.clock.now().monotonic_ms,
                self.clock.now().utc_ms,
            )
            for sample in self.decisions.samples():
                self.image.put(sample)
            await self.clock.run_for(500)
            await asyncio.sleep(0.002)


def play(tmp_path: Path, script: Callable[[Running], Awaitable[None]]) -> tuple[bool, Running]:
    """Runs a site until the script ends, then stops it; whether it ended in order, and what is left of it."""
    folder = tmp_path / "record"
    folder.mkdir(mode=0o700)
    disk = Disk(folder / "plant.db")

    async def whole() -> tuple[bool, Running]:
        running = Running(folder, disk)
        ready = asyncio.Event()
        work = asyncio.create_task(site.run(running.parts, running.stopped, ready=ready.set))
        time = asyncio.create_task(running.time_runs())
        try:
            await asyncio.wait_for(ready.wait(), WAIT_S)
            await script(running)
            running.stopped.set()
            return await asyncio.wait_for(work, WAIT_S), running
        finally:
            time.cancel()
            with suppress(asyncio.CancelledError):
                await time

    return asyncio.run(whole())


def recorded(tmp_path: Path) -> list[tuple[str, str, object]]:
    disk = Disk(tmp_path / "record" / "plant.db")
    try:
        assert disk.findings() == []
        return [(one.kind, one.reason, one.facts.get("permission_withdrawn")) for one in disk.entries()]
    finally:
        disk.close(WAIT_S)


def test_a_stop_in_order_withdraws_the_permission_proves_it_and_records_it(tmp_path: Path) -> None:
    async def script(running: Running) -> None:
        await until(lambda: running.controller.permit == PERMIT and len(running.controller.writes) > 2)

    in_order, running = play(tmp_path, script)
    assert in_order
    assert running.controller.permit == 0
    assert recorded(tmp_path)[-1] == ("stop", "stopped in order", True)


def test_a_controller_that_does_not_answer_at_the_stop_is_told_as_such(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(site, "_WITHDRAWN_WITHIN_S", 0.2)

    async def script(running: Running) -> None:
        await until(lambda: len(running.controller.writes) > 2)
        running.controller.fault = NoAnswer("PC1 does not answer, says the test")

    in_order, _ = play(tmp_path, script)
    assert in_order
    assert recorded(tmp_path)[-1] == ("stop", "stopped in order", False)


def test_a_part_that_ends_by_itself_stops_everything_safely(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async def script(running: Running) -> None:
        await until(lambda: len(running.controller.writes) > 2)

        async def broken() -> None:
            raise RuntimeError("a fault of ours")

        monkeypatch.setattr(running.actuation, "_turn", broken)
        await until(lambda: "ended by itself" in caplog.text)

    in_order, running = play(tmp_path, script)
    assert not in_order
    assert running.controller.permit == 0
    assert recorded(tmp_path)[-1] == ("stop", "a part ended by itself", True)


def test_when_scanning_is_what_failed_the_record_is_closed_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async def script(running: Running) -> None:
        await until(lambda: running.scanner.state.tick.monotonic_ms > 1_100_000)

        def broken(_rules: object, _state: object, _moment: Moment) -> None:
            raise RuntimeError("a fault of ours")

        monkeypatch.setattr(scanning, "scan", broken)
        await until(lambda: "ended by itself" in caplog.text)

    in_order, running = play(tmp_path, script)
    assert not in_order
    assert running.controller.permit == 0
    assert "the last scan failed" in caplog.text
    disk = Disk(tmp_path / "record" / "plant.db")
    try:
        assert len(disk.samples()) > 0  # what waited for its interval is there
    finally:
        disk.close(WAIT_S)


def test_people_and_readers_are_served_over_the_socket(tmp_path: Path) -> None:
    async def script(running: Running) -> None:
        async with await FieldClient.connect(running.socket, "test") as client:
            answer = await client.ask(
                Ask(id="g", action="grab_sample", measured={"turbidity_ntu": 0.8, "total_chlorine_mg_l": 5.0})
            )
            assert (answer.granted, answer.text) == (True, "The grab sample is entered.")
            assert "grab_sample" in running.disk.kinds()  # answered after the commit
            status = await client.status()
            assert [one.output for one in status.outputs] == ["product", "feed", "supply"]
            assert [one.kind for one in await client.newest_entries(1)] == ["grab_sample"]
            await client.confirm("uplink", "journal", 1)
            await until(lambda: _position(running.disk) == 1)
            part = await client.history("journal", 99, "the id of another store")
            assert part.chunks[0][0].first_n == 1
            assert "another store" in part.gap

    assert play(tmp_path, script)[0]


def _position(disk: Disk) -> int:
    with disk.reader() as reader:
        position = positions.get(reader, reader="uplink", stream="journal")
    return 0 if position is None else position.n


def test_the_live_feed_tells_values_that_changed_and_events(tmp_path: Path) -> None:
    async def script(running: Running) -> None:
        async with await FieldClient.connect(running.socket, "test") as client:
            feed = client.watch()
            seen: set[str] = set()
            events: list[str] = []
            running.decisions.reads["TANK"] = Number(96.0)
            async with asyncio.timeout(WAIT_S):
                while "TANK" not in seen or "trip" not in events:
                    message = await anext(feed)
                    if isinstance(message, Values):
                        seen |= {one.tag for one in message.values if one.value == 96.0}
                    elif isinstance(message, LiveEvent):
                        events.append(message.entry.kind)

    assert play(tmp_path, script)[0]


def test_a_stream_that_does_not_exist_is_named_with_those_that_do(tmp_path: Path) -> None:
    disk = Disk(tmp_path / "plant.db")
    try:
        with pytest.raises(ValueError, match="there are journal and samples"):
            History(disk, []).read("alarms", 0, "", 1_000)
    finally:
        disk.close(WAIT_S)


def test_a_position_that_cannot_be_kept_is_logged_and_stops_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    disk = Disk(tmp_path / "plant.db")
    disk.close(WAIT_S)
    confirm = Confirm(reader="uplink", stream="journal", n=1)
    History(disk, ["uplink"]).confirm(None, confirm)  # type: ignore[arg-type]
    assert "the position of uplink is not kept" in caplog.text


def test_a_reader_that_the_site_does_not_name_keeps_no_position(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    disk = Disk(tmp_path / "plant.db")
    try:
        History(disk, ["office"]).confirm(None, Confirm(reader="uplink", stream="journal", n=1))  # type: ignore[arg-type]
        assert "uplink is no reader of this site" in caplog.text
        assert _position(disk) == 0
    finally:
        disk.close(WAIT_S)


def test_the_notes_say_when_the_record_is_behind_and_when_nothing_is_written(tmp_path: Path) -> None:
    async def script(running: Running) -> None:
        running.disk.full = True
        running.scanner.journal(Event(kind=EventKind.GAP))
        await until(lambda: len(site.status(running.parts).notes) > 1)
        assert site.status(running.parts).notes == (
            "the outputs are written: commissioned by VISITOR-OP on 06 Feb 2025 00:00 UTC: test",
            "the record cannot be written; nothing is given back until it can",
        )
        running.disk.full = False

    assert play(tmp_path, script)[0]
