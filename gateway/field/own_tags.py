"""The gateway about itself: the health of its lines and devices, what waits to be sent, and figures of its machine.

Decides what each figure is and puts it into the input image like a reading, so
that it is recorded, judged, alarmed on and sent like one. Never asks a device,
and never makes anything else wait: what may hang, a file or the store, is read
in a thread of its own, and a figure that does not come in time has no number.

Shares and means are those of the time since the figure before; when nothing
was asked in it, the figure before still stands.
"""

import asyncio
import re
import threading
from collections.abc import Awaitable, Callable, Collection, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

from gateway.configuration.schema import OwnFigure, OwnTag
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Sample
from gateway.core.scaling import Scaling, to_reading
from gateway.field.clock import Clock
from gateway.field.image import InputImage
from gateway.field.polling import LineStatistics, Poller, UnitStatistics
from gateway.store import positions, sample_log
from gateway.store.database import Database
from gateway.store.errors import StoreError

_PATIENCE_S = 2.0  # real; for a file or the store
_LONGEST_FILE_BYTES = 64  # a number is shorter
_NUMBER = re.compile(rb"\s*[-+]?\d+(\.\d*)?([eE][-+]?\d+)?\s*")

Figure = float | Reason | None
"""A number, why there is none, or None while there is nothing to tell yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """What the figures are taken from.

    Args:
        lines: connection name to its poller.
        devices: device name to the name of its connection and its unit id.
        rows_waiting: stored samples that the slowest reader has not confirmed; may block, called in a thread.
        checks_overdue: instruments whose check is overdue.
        record_failing_s: plant seconds for which the record cannot be written; 0 while it can.
        folder: of files that are named relatively.
    """

    lines: Mapping[str, Poller]
    devices: Mapping[str, tuple[str, int]]
    rows_waiting: Callable[[], int]
    record_failing_s: Callable[[], float]
    checks_overdue: Callable[[], float]
    folder: Path


class OwnTags:
    """Tells each own tag in its interval; ``run`` is its task.

    Args:
        tags: by name.
        sources: what they are taken from.
        image: where the samples go.
        clock: plant time.
    """

    def __init__(self, *, tags: Mapping[str, OwnTag], sources: Sources, image: InputImage, clock: Clock) -> None:
        self._sources = sources
        self._image = image
        self._clock = clock
        now_ms = clock.now().monotonic_ms
        self._told = [_Told(name, own, self._measure(own), now_ms) for name, own in tags.items()]

    async def run(self) -> None:
        """Until cancelled; a figure that hangs delays no other."""
        async with asyncio.TaskGroup() as group:
            while True:
                await self._clock.sleep_until(min(one.due_ms for one in self._told))
                now_ms = self._clock.now().monotonic_ms
                for one in [one for one in self._told if one.due_ms <= now_ms]:
                    one.next_after(now_ms)
                    group.create_task(self._tell(one))

    async def _tell(self, told: "_Told") -> None:
        figure = await told.measure()
        if figure is not None:
            now = self._clock.now()
            reading = NoNumber(figure) if isinstance(figure, Reason) else to_reading(figure, told.scaling)
            self._image.put(Sample(tag=told.name, reading=reading, arrived=now, source_utc_ms=now.utc_ms))

    def _measure(self, own: OwnTag) -> Callable[[], Awaitable[Figure]]:
        sources, of = self._sources, own.of or ""
        if own.figure == "rows_waiting":
            return _Aside(sources.rows_waiting).figure
        if own.figure == "record_failing_s":
            return _Here(sources.record_failing_s).figure
        if own.figure == "checks_overdue":
            return _Here(sources.checks_overdue).figure
        if own.figure == "file":
            file = own.file or ""
            return _Aside(lambda: number_in(sources.folder, file)).figure
        line, unit_id = (of, None) if own.figure.startswith("line_") else sources.devices.get(of, ("", 0))
        return _Health(own.figure, sources.lines.get(line), unit_id, self._clock).figure


class _Told:
    """One own tag, how it is measured, and when it is due; what is overdue is told once."""

    def __init__(self, name: str, own: OwnTag, measure: Callable[[], Awaitable[Figure]], start_ms: int) -> None:
        self.name = name
        self.measure = measure
        self.scaling = scaling_of(own)
        self._start_ms = start_ms
        self._interval_ms = round(own.read_interval_s * 1_000)
        self.due_ms = start_ms + self._interval_ms

    def next_after(self, now_ms: int) -> None:
        """Due at the first point of its grid after now."""
        self.due_ms = now_ms + self._interval_ms - (now_ms - self._start_ms) % self._interval_ms


def scaling_of(own: OwnTag) -> Scaling:
    """How the number of an own tag is read."""
    low, high = own.range or (None, None)
    return Scaling(scale=own.scale, offset=own.offset, range_low=low, range_high=high, states=frozenset(own.states))


# --- lines and devices -------------------------------------------------------------------------------------------


class _Health:
    """One figure of a line, or of a device behind it."""

    def __init__(self, figure: OwnFigure, line: Poller | None, unit_id: int | None, clock: Clock) -> None:
        self._figure = figure
        self._line = line
        self._unit_id = unit_id
        self._clock = clock
        self._window = _Window()

    async def figure(self) -> Figure:
        """What it is now; a line on which nothing is polled tells nothing."""
        if self._line is None:
            return Reason.NO_ANSWER
        line, now_ms = self._line.line_statistics(), self._clock.now().monotonic_ms
        if self._unit_id is None:
            return self._of_line(line, now_ms)
        unit = line.units.get(self._unit_id)
        return Reason.NO_ANSWER if unit is None else self._of_device(line, unit, now_ms)

    def _of_line(self, line: LineStatistics, now_ms: int) -> Figure:
        if self._figure == "line_open":
            return float(line.is_open)
        if self._figure == "line_busy_percent":
            return self._window.percent(line.busy_ms, now_ms - line.began_ms)
        asked = sum(unit.asked for unit in line.units.values())
        return self._window.percent(asked - sum(unit.answered for unit in line.units.values()), asked)

    def _of_device(self, line: LineStatistics, unit: UnitStatistics, now_ms: int) -> Figure:
        if self._figure == "device_silent_s":
            heard_ms = line.began_ms if unit.last_reply_ms is None else unit.last_reply_ms
            return (now_ms - heard_ms) / 1_000
        if self._figure == "device_failed_percent":
            return self._window.percent(unit.asked - unit.answered, unit.asked)
        return self._window.mean(unit.replies_took_ms, unit.answered, asked=unit.asked)


class _Window:
    """Growth of counters since the figure before; without any growth the figure before still stands."""

    def __init__(self) -> None:
        self._part, self._whole, self._asked = 0.0, 0, 0
        self._figure: Figure = None

    def percent(self, part: float, whole: int) -> Figure:
        """Share of the growth of ``whole`` that is growth of ``part``."""
        more, of = part - self._part, whole - self._whole
        self._part, self._whole = part, whole
        if of > 0:
            self._figure = min(100.0, 100.0 * more / of)
        return self._figure

    def mean(self, total: float, count: int, *, asked: int) -> Figure:
        """Growth of ``total`` for each growth of ``count``; no answer when something was asked and none of it came."""
        more, of, tried = total - self._part, count - self._whole, asked - self._asked
        self._part, self._whole, self._asked = total, count, asked
        if of > 0:
            self._figure = more / of
        elif tried > 0:
            self._figure = Reason.NO_ANSWER
        return self._figure


class _Here:
    """A figure that is at hand and cannot hang."""

    def __init__(self, told: Callable[[], float]) -> None:
        self._told = told

    async def figure(self) -> Figure:
        """What it is now."""
        return self._told()


# --- what may hang -----------------------------------------------------------------------------------------------


class _Aside:
    """Work in a thread of its own that nobody waits for at the end, one at a time."""

    def __init__(self, work: Callable[[], Figure]) -> None:
        self._work = work
        self._running: Future[Figure] | None = None

    async def figure(self) -> Figure:
        """What the work gives; no figure when it takes too long, or still hangs from before."""
        if self._running is not None and not self._running.done():
            return Reason.NO_FIGURE
        started: Future[Figure] = Future()
        self._running = started
        started.set_running_or_notify_cancel()  # so that whoever stops waiting does not stop it
        threading.Thread(target=self._carry_out, args=(started,), daemon=True).start()
        try:
            return await asyncio.wait_for(asyncio.wrap_future(started), _PATIENCE_S)
        except TimeoutError:
            return Reason.NO_FIGURE

    def _carry_out(self, started: "Future[Figure]") -> None:
        try:
            started.set_result(self._work())
        except (OSError, StoreError):
            started.set_result(Reason.NO_FIGURE)
        except BaseException as fault:  # noqa: BLE001 - it belongs to whoever waits for the figure
            started.set_exception(fault)


def number_in(folder: Path, file: str) -> Figure:
    """The number that stands in a file.

    Args:
        folder: where a relative name starts, and below which it has to stay.
        file: absolute, or relative to the folder.

    Raises:
        OSError: the file is not there, or cannot be read.
    """
    path = folder / file
    if not Path(file).is_absolute() and not path.resolve().is_relative_to(folder.resolve()):
        return Reason.NO_FIGURE
    with path.open("rb") as opened:
        text = opened.read(_LONGEST_FILE_BYTES + 1)
    fits = len(text) <= _LONGEST_FILE_BYTES and _NUMBER.fullmatch(text)
    return float(text) if fits else Reason.NOT_FINITE


def rows_waiting(database: Database, readers: Collection[str]) -> int:
    """Stored samples that the slowest of these readers has not confirmed; 0 when there is none of them.

    Raises:
        StoreError: the store cannot be read now.
    """
    with database.reader() as reader:
        newest_n = sample_log.newest_n(reader)
        confirmed = [positions.get(reader, reader=name, stream=sample_log.STREAM) for name in readers]
    store = database.opened.store
    done = [0 if one is None or one.store != store else one.n for one in confirmed]
    return newest_n - min(done, default=newest_n)
