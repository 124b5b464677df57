"""A recorded run decides the same again, and a record or a rule that was changed shows."""

from dataclasses import replace
from pathlib import Path

import pytest

from gateway.core.outcome import EventKind, Outcome
from gateway.core.sample import Number, Sample
from gateway.core.scan import Arrival, Moment
from gateway.core.state import rules_of
from gateway.local.messages import ChunkHeader, JournalEntry
from gateway.replay.recorded import decide_again, differs, moments
from gateway.store.chunk import Contents, SampleRow, ScanTick, pack, unpack
from gateway.store.database import Database, offline
from gateway.store.errors import StoreBusy, StoreFailing
from gateway.store.inputs import OtherInput, from_line, to_line
from gateway.store.migrations import PLANT
from tests.core.plants import INTERLOCKS, Bench, plant_with


class RecordedBench(Bench):
    """A bench whose scans are recorded as the field process records them."""

    def __init__(self) -> None:
        super().__init__()
        self.beginning = self.state
        self.said = len(self.events)
        self.given: list[tuple[int, Moment]] = []

    def scan(self, *arrivals: Arrival, after_ms: int = 1_000, polled: bool = True) -> Outcome:
        outcome = super().scan(*arrivals, after_ms=after_ms, polled=polled)
        came = (*(self.samples() if polled else ()), *arrivals)
        self.given.append((self.state.scan, Moment(tick=self.tick(), arrivals=came)))
        return outcome

    def chunks(self, scans_a_chunk: int, *, cut_inside: bool) -> list[tuple[ChunkHeader, bytes]]:
        """Everything packed, some scans at a time; with ``cut_inside`` the samples of a scan lie in two chunks."""
        rows, others = self._rows_and_others()
        ticks = [ScanTick(scan=number, tick=moment.tick) for number, moment in self.given]
        packed, start = [], 0
        per_scan = len(rows) // len(ticks)
        while start < len(rows):
            end = min(len(rows), start + scans_a_chunk * per_scan + (per_scan // 2 if cut_inside else 0))
            part = rows[start:end]
            last = part[-1].scan
            mine = [tick for tick in ticks if tick.scan <= last]
            ticks = [tick for tick in ticks if tick.scan > last]
            told = [one for one in others if one.scan <= last]
            others = [one for one in others if one.scan > last]
            packed.append(pack(part, mine, run=1, configuration="c", others=told))
            start = end
        return packed

    def _rows_and_others(self) -> tuple[list[SampleRow], list[OtherInput]]:
        rows: list[SampleRow] = []
        others: list[OtherInput] = []
        for number, moment in self.given:
            for arrival in moment.arrivals:
                if isinstance(arrival, Sample):
                    rows.append(SampleRow(n=len(rows) + 1, scan=number, sample=arrival))
                else:
                    others.append(OtherInput(scan=number, after_n=len(rows), given=arrival))
        return rows, others


def eventful() -> RecordedBench:
    """Release, delivery, cloudy water, trip, valve stuck, and requests in between."""
    bench = RecordedBench()
    bench.deliver()
    bench.read(TURB=12.0)
    bench.run(40)
    bench.release("product")
    bench.read(ZSC=1.0, TURB=0.5)
    bench.run(20)
    return bench


def unpacked(packed: list[tuple[ChunkHeader, bytes]]) -> list[Contents]:
    return [unpack(header, body) for header, body in packed]


@pytest.mark.parametrize(("scans_a_chunk", "cut_inside"), [(1_000, False), (10, False), (7, True)])
def test_moments_come_back_as_they_were_however_the_record_is_cut(scans_a_chunk: int, *, cut_inside: bool) -> None:
    bench = eventful()
    again = list(moments(unpacked(bench.chunks(scans_a_chunk, cut_inside=cut_inside))))
    assert again == bench.given


def test_the_same_moments_decide_the_same_events() -> None:
    bench = eventful()
    again = [one.event for one in decide_again(bench.rules, bench.beginning, bench.given)]
    assert EventKind.TRIP in {event.kind for event in again}
    assert again == bench.events[bench.said :]


def test_another_limit_decides_something_else() -> None:
    bench = eventful()
    slower = tuple(
        replace(one, causes=(replace(one.causes[0], trip_delay_ms=30_000),)) if one.id == "I-TURB" else one
        for one in INTERLOCKS
    )
    again = [one.event for one in decide_again(rules_of(plant_with(interlocks=slower)), bench.beginning, bench.given)]
    assert again != bench.events[bench.said :]


def test_another_reading_decides_something_else() -> None:
    bench = eventful()
    forged = [
        (
            number,
            replace(
                moment,
                arrivals=tuple(
                    one._replace(reading=Number(9.0)) if isinstance(one, Sample) and one.tag == "TURB" else one
                    for one in moment.arrivals
                ),
            ),
        )
        for number, moment in bench.given
    ]
    again = [one.event for one in decide_again(bench.rules, bench.beginning, forged)]
    assert again != bench.events[bench.said :]


def test_a_difference_names_what_was_and_what_is() -> None:
    bench = eventful()
    (trip,) = [
        one
        for one in decide_again(bench.rules, bench.beginning, bench.given)
        if (one.event.kind, one.event.subject) == (EventKind.TRIP, "I-TURB")
    ]
    entry = JournalEntry(
        n=1,
        run=1,
        scan=trip.scan,
        monotonic_ms=0,
        utc_ms=0,
        utc_trusted=True,
        kind="trip",
        subject="I-TURB",
        reason="condition",
        facts=dict(trip.event.facts),
    )
    assert differs(entry, trip) == ""
    assert "reason: 'condition' then" in differs(entry, replace(trip, event=replace(trip.event, reason="bad_input")))


def test_requests_and_read_backs_survive_as_lines() -> None:
    others = eventful()._rows_and_others()[1]
    assert len({type(one.given) for one in others}) == 2
    assert [from_line(to_line(one.given)) for one in others] == [one.given for one in others]


def test_a_running_store_is_not_read_offline_and_a_missing_one_is_not_made(tmp_path: Path) -> None:
    path = tmp_path / "record" / "plant.db"
    with pytest.raises(StoreFailing, match="no record"), offline(path):
        pass
    assert not path.exists()
    database = Database(path, PLANT, utc_ms=0)
    with pytest.raises(StoreBusy), offline(path):
        pass
    database.close(5.0)
    with offline(path) as reader:
        assert reader.execute("SELECT count(*) FROM journal").fetchone() == (0,)
