"""The gateway about itself: figures of lines and devices from a poller, of the store, and of files that may hang."""

import asyncio
import os
import threading
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from random import Random

import pytest

from gateway.configuration.schema import OwnFigure, OwnTag
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample
from gateway.core.scaling import Scaling
from gateway.drivers.errors import NoAnswer
from gateway.field.clock import ManualClock
from gateway.field.image import InputImage
from gateway.field.own_tags import OwnTags, Sources, number_in, rows_waiting
from gateway.field.polling import Poller
from gateway.store import positions, sample_log
from gateway.store.database import Transaction
from tests.field.fieldbench import WAIT_S, Disk, Scans, recorder_on, until
from tests.field.test_polling import Line, planned

Script = Callable[[Line, "Heard", ManualClock], Awaitable[None]]


def own(figure: OwnFigure, of: str | None = None, **keys: object) -> OwnTag:
    return OwnTag.model_validate({"service": "a figure", "figure": figure, "of": of, "read_interval_s": 10, **keys})


class Heard:
    """What the own tags have told."""

    def __init__(self, image: InputImage) -> None:
        self._image = image
        self.samples: list[Sample] = []

    def of(self, tag: str) -> list[Reading]:
        self.samples += [one for one in self._image.take() if isinstance(one, Sample)]
        return [one.reading for one in self.samples if one.tag == tag]

    def numbers(self, tag: str) -> list[float]:
        return [one.value for one in self.of(tag) if isinstance(one, Number)]


def play(
    script: Script,
    folder: Path,
    tags: Mapping[str, OwnTag],
    *,
    waiting: Callable[[], int] = lambda: 0,
    failing: Callable[[], float] = lambda: 0.0,
    overdue: Callable[[], float] = lambda: 0.0,
) -> None:
    """A line L1 with devices D1 and D2, polled every 5 s, 50 ms a reply; nothing is polled on L2."""

    async def run() -> None:
        clock = ManualClock()
        line, polled, image = Line(clock=clock, last_reply_s=0.05), InputImage(), InputImage()
        poller = Poller(
            connection=line,
            blocks=[planned(1, "A"), planned(2, "B")],
            scalings={"A": Scaling(), "B": Scaling()},
            image=polled,
            clock=clock,
            random=Random(1),  # noqa: S311 - a run that repeats
        )
        sources = Sources(
            lines={"L1": poller},
            devices={"D1": ("L1", 1), "D2": ("L1", 2), "D3": ("L2", 1)},
            rows_waiting=waiting,
            record_failing_s=failing,
            checks_overdue=overdue,
            folder=folder,
        )
        works = [poller.run(), OwnTags(tags=tags, sources=sources, image=image, clock=clock).run()]
        running = [asyncio.ensure_future(work) for work in works]
        try:
            await script(line, Heard(image), clock)
            assert not [task for task in running if task.done()]
        finally:
            for task in running:
                task.cancel()
            await asyncio.gather(*running, return_exceptions=True)

    asyncio.run(run())


# --- lines and devices -------------------------------------------------------------------------------------------


def test_a_healthy_line_is_open_little_used_and_nothing_fails_on_it(tmp_path: Path) -> None:
    tags = {
        "OPEN": own("line_open", "L1"),
        "FAILED": own("line_failed_percent", "L1"),
        "BUSY": own("line_busy_percent", "L1"),
        "SILENT": own("device_silent_s", "D1"),
        "LOST": own("device_failed_percent", "D1"),
        "REPLY": own("device_reply_ms", "D1"),
    }

    async def script(_: Line, heard: Heard, clock: ManualClock) -> None:
        await clock.run_for(30_500)
        assert heard.numbers("OPEN") == [1.0] * 3
        assert heard.numbers("FAILED") == [0.0] * 3
        assert heard.numbers("BUSY") == pytest.approx([2.0] * 3, abs=0.6)  # four requests of 50 ms in 10 s
        assert all(0 <= one <= 5 for one in heard.numbers("SILENT"))
        assert heard.numbers("LOST") == [0.0] * 3
        assert heard.numbers("REPLY") == pytest.approx([50.0] * 3)
        assert [one.arrived.monotonic_ms for one in heard.samples if one.tag == "OPEN"] == [10_000, 20_000, 30_000]

    play(script, tmp_path, tags)


def test_a_dead_device_is_told_apart_from_its_neighbour_and_from_its_line(tmp_path: Path) -> None:
    tags = {
        "OPEN": own("line_open", "L1"),
        "SILENT-1": own("device_silent_s", "D1"),
        "SILENT-2": own("device_silent_s", "D2"),
        "LOST-1": own("device_failed_percent", "D1"),
        "LOST-2": own("device_failed_percent", "D2"),
        "REPLY-1": own("device_reply_ms", "D1"),
        "FAILED": own("line_failed_percent", "L1"),
    }

    async def script(line: Line, heard: Heard, clock: ManualClock) -> None:
        await clock.run_for(10_500)
        line.faults[1] = NoAnswer("dead")
        await clock.run_for(50_000)
        assert heard.numbers("OPEN")[-1] == 1.0
        assert heard.numbers("SILENT-1")[-1] > 45.0
        assert heard.numbers("SILENT-2")[-1] <= 5.0
        assert heard.numbers("LOST-1")[-1] == 100.0  # it stands while nothing is asked
        assert heard.numbers("LOST-2")[-1] == 0.0
        assert heard.of("REPLY-1")[-1] == NoNumber(Reason.NO_ANSWER)
        assert 0.0 < heard.numbers("FAILED")[-1] < 50.0

    play(script, tmp_path, tags)


def test_a_line_that_cannot_be_opened_is_not_open_and_everything_on_it_fails(tmp_path: Path) -> None:
    tags = {"OPEN": own("line_open", "L1"), "FAILED": own("line_failed_percent", "L1")}

    async def script(line: Line, heard: Heard, clock: ManualClock) -> None:
        await clock.run_for(10_500)
        line.refuse_to_open = True
        await clock.run_for(20_000)
        assert heard.numbers("OPEN") == [1.0, 0.0, 0.0]
        assert heard.numbers("FAILED")[-1] == 100.0
        line.refuse_to_open = False
        await clock.run_for(30_000)
        assert heard.numbers("OPEN")[-1] == 1.0
        assert heard.numbers("FAILED")[-1] == 0.0

    play(script, tmp_path, tags)


def test_a_request_under_way_counts_as_a_busy_line(tmp_path: Path) -> None:
    tags = {"BUSY": own("line_busy_percent", "L1")}

    async def script(line: Line, heard: Heard, clock: ManualClock) -> None:
        line.reply_s = 3_600.0
        await clock.run_for(20_500)
        assert heard.numbers("BUSY") == pytest.approx([100.0, 100.0])

    play(script, tmp_path, tags)


def test_of_a_line_on_which_nothing_is_polled_nothing_is_known(tmp_path: Path) -> None:
    tags = {"OPEN": own("line_open", "L2"), "SILENT": own("device_silent_s", "D3")}

    async def script(_: Line, heard: Heard, clock: ManualClock) -> None:
        await clock.run_for(10_500)
        assert heard.of("OPEN") == heard.of("SILENT") == [NoNumber(Reason.NO_ANSWER)]

    play(script, tmp_path, tags)


# --- what waits to be sent ---------------------------------------------------------------------------------------


def test_rows_wait_for_the_slowest_reader_of_this_store(tmp_path: Path) -> None:
    folder = tmp_path / "record"
    folder.mkdir(mode=0o700)
    disk = Disk(folder / "plant.db")

    def confirm(reader: str, n: int, store: str) -> None:
        def work(transaction: Transaction) -> None:
            positions.set(transaction, reader=reader, stream=sample_log.STREAM, n=n, store=store)

        disk.submit(work).result(WAIT_S)

    async def record_a_hundred() -> None:
        clock = ManualClock()
        recorder = recorder_on(disk, clock, lambda _: None)
        work = asyncio.create_task(recorder.run())
        recorder.note(*Scans(clock).next(samples=100))
        await clock.run_for(11_000)
        await disk.settled()
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)

    try:
        asyncio.run(record_a_hundred())
        assert rows_waiting(disk, ["mqtt", "influx"]) == 100
        confirm("mqtt", 90, disk.opened.store)
        assert rows_waiting(disk, ["mqtt"]) == 10
        assert rows_waiting(disk, ["mqtt", "influx"]) == 100
        confirm("influx", 40, disk.opened.store)
        assert rows_waiting(disk, ["mqtt", "influx"]) == 60
        confirm("influx", 99, "another store")
        assert rows_waiting(disk, ["mqtt", "influx"]) == 100
        assert rows_waiting(disk, []) == 0
    finally:
        disk.close(WAIT_S)


def test_rows_that_wait_are_told(tmp_path: Path) -> None:
    async def script(_: Line, heard: Heard, clock: ManualClock) -> None:
        await clock.run_for(10_000)
        await until(lambda: heard.numbers("WAITING") == [4711.0])

    play(script, tmp_path, {"WAITING": own("rows_waiting")}, waiting=lambda: 4711)


def test_how_long_the_record_cannot_be_written_is_told_at_every_interval(tmp_path: Path) -> None:
    failing_s = iter((0.0, 8.5, 18.5, 0.0))

    async def script(_: Line, heard: Heard, clock: ManualClock) -> None:
        await clock.run_for(40_500)
        assert heard.numbers("RECORD") == [0.0, 8.5, 18.5, 0.0]

    play(script, tmp_path, {"RECORD": own("record_failing_s")}, failing=lambda: next(failing_s))


def test_how_many_checks_of_instruments_are_overdue_is_told_at_every_interval(tmp_path: Path) -> None:
    overdue = iter((2.0, 1.0))

    async def script(_: Line, heard: Heard, clock: ManualClock) -> None:
        await clock.run_for(20_500)
        assert heard.numbers("OVERDUE") == [2.0, 1.0]

    play(script, tmp_path, {"OVERDUE": own("checks_overdue")}, overdue=lambda: next(overdue))


# --- files -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "number"), [("42\n", 42.0), (" -3.5 ", -3.5), ("1e3", 1000.0), ("+7.", 7.0), ("0042", 42.0)]
)
def test_a_number_in_a_file_is_read(tmp_path: Path, text: str, number: float) -> None:
    (tmp_path / "figure").write_text(text, encoding="ascii")
    assert number_in(tmp_path, "figure") == number
    assert number_in(Path("/nowhere"), str(tmp_path / "figure")) == number


@pytest.mark.parametrize("text", ["", "\n", "nan", "inf", "12 34", "1_000", "0x10", "warm", "9" * 65, "1,5", "²"])
def test_rubbish_in_a_file_is_no_number(tmp_path: Path, text: str) -> None:
    (tmp_path / "figure").write_text(text, encoding="utf-8")
    assert number_in(tmp_path, "figure") is Reason.NOT_FINITE


def test_a_relative_name_that_leads_out_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    inside = tmp_path / "figures"
    inside.mkdir()
    (tmp_path / "secret").write_text("1", encoding="ascii")
    (inside / "link").symlink_to(tmp_path / "secret")
    assert number_in(inside, "../secret") is Reason.NO_FIGURE
    assert number_in(inside, "link") is Reason.NO_FIGURE


def test_a_figure_of_the_machine_is_scaled_and_one_that_is_not_there_has_no_number(tmp_path: Path) -> None:
    (tmp_path / "millidegrees").write_text("48500\n", encoding="ascii")
    (tmp_path / "rubbish").write_text("warm\n", encoding="ascii")
    tags = {
        "TEMP": own("file", file="millidegrees", scale=0.001, offset=-0.5, unit="degC"),
        "GONE": own("file", file="nothing"),
        "FOLDER": own("file", file="."),
        "RUBBISH": own("file", file="rubbish"),
        "HOT": own("file", file="millidegrees", range=(0, 100)),
    }

    async def script(_: Line, heard: Heard, clock: ManualClock) -> None:
        await clock.run_for(10_000)
        await until(lambda: all(heard.of(tag) for tag in tags))
        assert heard.of("TEMP") == [Number(48.0)]
        assert heard.of("GONE") == heard.of("FOLDER") == [NoNumber(Reason.NO_FIGURE)]
        assert heard.of("RUBBISH") == [NoNumber(Reason.NOT_FINITE)]
        assert heard.of("HOT") == [NoNumber(Reason.OUT_OF_RANGE)]

    play(script, tmp_path, tags)


def test_a_file_that_hangs_has_no_number_takes_one_thread_and_delays_nothing(tmp_path: Path) -> None:
    """A pipe that nobody writes to hangs like a file system that has gone away."""
    os.mkfifo(tmp_path / "stuck")
    tags = {"STUCK": own("file", file="stuck", read_interval_s=1), "OPEN": own("line_open", "L1", read_interval_s=1)}

    async def script(_: Line, heard: Heard, clock: ManualClock) -> None:
        threads = threading.active_count()
        await clock.run_for(5_500)
        assert heard.numbers("OPEN") == [1.0] * 5
        assert threading.active_count() == threads + 1
        await until(lambda: len(heard.of("STUCK")) == 5)  # the first one after its patience, the others at once
        assert set(heard.of("STUCK")) == {NoNumber(Reason.NO_FIGURE)}
        with (tmp_path / "stuck").open("w", encoding="ascii") as pipe:
            pipe.write("7")
        await until(lambda: threading.active_count() == threads)
        (tmp_path / "stuck").unlink()
        (tmp_path / "stuck").write_text("8", encoding="ascii")
        await clock.run_for(1_000)
        await until(lambda: heard.of("STUCK")[-1] == Number(8.0))

    play(script, tmp_path, tags)
