"""Event E01: cloudy water joins behind the filters. Measured, true, recorded and told, compared with the scenario.

The site is as shipped: here is the half hour of good readings before a release.
The hours after the trip are computed in ``tests/simulator/test_direct_events``.
"""

import asyncio
import itertools
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from gateway.core.sample import Number
from gateway.local.messages import Answered, JournalEntry, Status
from simulator.stage import Script
from tests.acceptance.office import Office, Reading, gaps, gaps_between, last_answered
from tests.acceptance.play import RATE, Play, Record, playing, record_of, struck_utc_ms, until

pytestmark = [pytest.mark.acceptance, pytest.mark.timeout(300)]

# The scenario starts an event's run an hour before. 33 minutes are what the release needs and a little more; the feed
# is held in this event, so the water is the same.
START = "2025-02-26 09:27"
CLEAR_S = 30 * 60
PLAYED_S = 3 * 60
POLL_S, SCAN_S, DELAY_S = 5, 1, 15


@dataclass(frozen=True, kw_only=True)
class AtTheStop:
    """What the office had when the gateway had stopped."""

    events: set[tuple[int, int]]
    answered: list[tuple[int, int]]
    doubles: Counter[str]


@dataclass(frozen=True, kw_only=True)
class Played:
    begun: dict[str, Any]
    too_early: Answered
    released: Answered
    delivering: dict[str, Any]
    diverted: dict[str, Any]
    end: dict[str, Any]
    status: Status
    still_latched: Answered
    exit_code: int
    stopped: dict[str, Any]
    record: Record
    office: Office
    at_the_stop: AtTheStop

    @property
    def struck_utc_ms(self) -> int:
        return struck_utc_ms(self.end)

    @property
    def trip(self) -> JournalEntry:
        return self.record.one("trip", "I-01")

    def measured_after_event(self) -> list[tuple[int, float]]:
        return [one for one in self.record.readings("AIT-510") if one[0] >= self.struck_utc_ms]

    def first_above_10_utc_ms(self) -> int:
        return next(utc_ms for utc_ms, value in self.measured_after_event() if value > 10)


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    return asyncio.run(_play(tmp_path_factory.mktemp("E01")))


async def _play(folder: Path) -> Played:
    async with playing(folder, Script(event="E01", rate=RATE, start=START)) as play:
        field = await play.start()
        visitor = play.visitor(field)
        begun = await play.truth()
        too_early = await visitor.release("product", "trying at once")
        released = await play.deliver(visitor, clear_s=CLEAR_S)
        delivering = await play.truth()
        await play.event("trip", "I-01")
        diverted = await play.truth_when(lambda true: bool(true["proven_divert"]), "XV-901 proven at divert")
        end = await play.after_event(PLAYED_S)
        status = await field.status()
        still_latched = await visitor.release("product", "the water looks clear")
        await play.told()
        exit_code = await play.stopped()
        stopped = await play.truth()
        record = record_of(play.stage)
        office = play.office
        at_the_stop = AtTheStop(
            events=set(office.events), answered=list(office.answered), doubles=Counter(office.doubles)
        )
        await _start_again(play, record)
    return Played(
        begun=begun,
        too_early=too_early,
        released=released,
        delivering=delivering,
        diverted=diverted,
        end=end,
        status=status,
        still_latched=still_latched,
        exit_code=exit_code,
        stopped=stopped,
        record=record,
        office=office,
        at_the_stop=at_the_stop,
    )


async def _start_again(play: Play, record: Record) -> None:
    """What had not been sent at the stop is sent after the next start."""
    last_event, last_reading = record.journal[-1].n, record.rows[-1].n
    await play.start()
    await until(
        lambda: (1, last_event) in play.office.events and last_answered(play.office.answered) >= last_reading,
        "the rest of the record at the office",
    )
    await play.stopped()


def test_it_starts_with_delivery_withdrawn(played: Played) -> None:
    assert not played.begun["permitted"]
    assert not played.begun["product_commanded"]
    assert played.record.one("start_latched", "product").reason == "no saved state"


def test_a_release_asked_for_at_once_is_refused_with_the_tick_list(played: Played) -> None:
    assert not played.too_early.granted
    assert played.too_early.reason == "not_ready"
    missing = [item.text for item in played.too_early.items if not item.satisfied]
    assert any("for 30 min" in text for text in missing)
    assert any("grab sample" in text for text in missing)


def test_it_is_released_after_half_an_hour_and_a_grab_sample(played: Played) -> None:
    assert played.released.granted
    assert played.delivering["permitted"]
    assert played.delivering["proven_product"]
    started, sampled, released = (played.record.one(kind) for kind in ("start", "grab_sample", "released"))
    assert released.utc_ms - started.utc_ms >= CLEAR_S * 1_000
    assert started.n < sampled.n < released.n
    assert (sampled.person, released.person) == ("VISITOR-OP", "VISITOR-OP")


def test_nothing_was_permitted_before_the_release(played: Played) -> None:
    first = played.record.all("level", "product")[0]
    assert first.facts["to"] == "permitted"
    assert first.utc_ms >= played.record.one("released").utc_ms


def test_i_01_trips_in_time(played: Played) -> None:
    """The on-delay, a poll of 5 s, a scan, and what a poll may be late on a busy machine: 30 s in the scenario."""
    after_s = (played.trip.utc_ms - played.first_above_10_utc_ms()) / 1_000
    assert DELAY_S - SCAN_S <= after_s <= 30
    assert played.trip.facts["limit"] == 10.0
    assert played.trip.reason == "condition"


def test_the_valve_is_proven_at_divert_right_after_the_trip(played: Played) -> None:
    """Scan, write and read-back, 12 s of stroke; then the looks of this test, 1.5 plant seconds apart or more."""
    assert played.diverted["utc_ms"] - played.trip.utc_ms <= 30_000
    assert played.record.all("exposure", "I-01")[0].utc_ms - played.trip.utc_ms <= 20_000


def test_turbidity_high_is_the_first_out(played: Played) -> None:
    first = played.record.one("first_out")
    assert first.subject == "TURBIDITY-HIGH"
    assert first.facts["group"] == "turbidity"


def test_delivery_stays_withdrawn_and_a_release_is_refused_while_the_cause_stands(played: Played) -> None:
    assert played.measured_after_event()[-1][1] > 5
    (interlock,) = (one for one in played.status.interlocks if one.interlock == "I-01")
    (product,) = (one for one in played.status.outputs if one.output == "product")
    assert interlock.state == "TRIPPED"
    assert (product.level, product.reasons, product.proven) == ("withdrawn", ("I-01",), True)
    assert not played.end["permitted"]
    assert not played.still_latched.granted
    assert played.still_latched.reason == "not_ready"


def test_one_p1_message_tells_the_event(played: Played) -> None:
    (message,) = played.office.messages
    assert (message["alarm"], message["priority"], message["nature"]) == ("TURBIDITY-HIGH", "P1", "limit")
    assert (message["run"], message["n"]) == (1, played.record.one("alarm", "TURBIDITY-HIGH").n)
    assert message["diversion"] == "proven"


def test_the_message_says_what_is_the_case(played: Played) -> None:
    (text,) = played.office.texts("TURBIDITY-HIGH")
    value = float(played.record.one("alarm", "TURBIDITY-HIGH").facts["value"])
    assert "water cloudy" in text
    assert f"{value:.1f} NTU (limit 10)" in text
    assert "Delivery stopped, valve proven at divert" in text
    assert len(text) <= 160


def test_the_message_does_not_say_what_is_not_the_case(played: Played) -> None:
    (message,) = played.office.messages
    for wrong in ("cannot be trusted", "did not move", "NOT PROVEN"):
        assert wrong not in message["text"] + message["more"]


def test_hardly_a_poll_was_late(played: Played) -> None:
    """A busy machine makes some late; one in a hundred may take twice its 5 s."""
    arrivals = [utc_ms for utc_ms, _ in played.record.readings("AIT-510")]
    late = [after - before for before, after in itertools.pairwise(arrivals) if after - before > 2 * POLL_S * 1_000]
    assert len(late) <= len(arrivals) / 100


def test_no_litre_out_of_limits_reached_the_tank(played: Played) -> None:
    """Should the proof be without a reading for a moment while the cause stands, it is counted again: never a litre."""
    assert played.end["out_of_limits_into_tank_l"] == 0
    counts = played.record.all("exposure", "I-01")
    assert {count.facts["passed_l"] for count in counts} == {0.0}
    assert counts[0].facts["flow_known"] is True
    assert float(counts[0].facts["past_the_tap_l"]) > 5  # it did count: 0.9 m3/h for about 50 s


def test_no_litre_at_all_reached_the_tank_once_the_valve_was_proven(played: Played) -> None:
    """Cloudy water needs 5.7 h to the valve at this flow, so the litres above alone would not show a missed trip."""
    assert played.diverted["into_tank_l"] > 0
    last_second_l = 0.9 / 3.6  # the plant's water steps by seconds, its valve by tenths
    assert played.end["into_tank_l"] == pytest.approx(played.diverted["into_tank_l"], abs=last_second_l)


def test_the_journal_at_the_office_is_the_journal_of_the_plant(played: Played) -> None:
    """All of it but the line of the stop itself, which nobody is left to hand over; and that after the next start."""
    assert [one.n for one in played.record.journal] == list(range(1, len(played.record.journal) + 1))
    unsent = [one.kind for one in played.record.journal if (one.run, one.n) not in played.at_the_stop.events]
    assert unsent in ([], ["stop"])
    for entry in played.record.journal:
        told = played.office.events[entry.run, entry.n]
        assert told["kind"] == entry.kind
        assert told.get("subject", "") == entry.subject
        assert told.get("reason", "") == entry.reason
        assert told.get("person", "") == entry.person
        assert told.get("facts", {}) == entry.facts
        assert told["at_utc_ms"] == entry.utc_ms
    assert not gaps(played.office.events)


def test_the_readings_reach_the_office_without_gap_or_double(played: Played) -> None:
    """Behind by one history interval at most when it was stopped; whole after the next start."""
    assert not gaps_between(played.at_the_stop.answered)
    assert not +played.at_the_stop.doubles
    last_sent = played.record.rows[last_answered(played.at_the_stop.answered) - 1].sample
    assert played.end["utc_ms"] - last_sent.arrived.utc_ms <= 120_000
    assert not gaps_between(played.office.answered)


def test_every_reading_at_the_office_is_one_recorded_and_those_held_back_changed_nothing(played: Played) -> None:
    held: dict[str, Reading] = {}
    for row in played.record.rows:
        sample = row.sample
        number = sample.reading.value if isinstance(sample.reading, Number) else None
        step, deadband = (played.office.tags[sample.tag][key] for key in ("step", "deadband"))
        if (1, row.n) in played.office.readings:
            told = held[sample.tag] = played.office.readings[1, row.n]
            assert (told.tag, told.utc_ms) == (sample.tag, sample.source_utc_ms)
            assert told.value == pytest.approx(number, rel=1e-12, abs=step / 2 * (1 + 1e-6))  # 62.125 may become 62.12
        else:
            assert held[sample.tag].value == pytest.approx(number, rel=1e-12, abs=deadband + step)


def test_everything_the_office_heard_fits_the_published_schema(played: Played) -> None:
    assert played.office.faults == []
    assert played.office.notes == {}


def test_the_record_verifies(played: Played) -> None:
    assert played.record.findings == []
    assert len(played.record.rows) > 30_000  # 36 min of 170 tags; an empty record would verify, too


def test_after_the_orderly_stop_the_controller_holds_the_permission_withdrawn(played: Played) -> None:
    assert played.exit_code == 0
    assert not played.stopped["permitted"]
    assert not played.stopped["product_commanded"]
    assert played.record.journal[-1].kind == "stop"
    assert played.record.journal[-1].facts["permission_withdrawn"] is True


def test_the_office_knows_that_the_site_was_stopped(played: Played) -> None:
    assert played.office.states[-1]["online"] is False
    assert any(state["field"] == "running" for state in played.office.states)
