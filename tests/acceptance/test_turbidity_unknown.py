"""Event E03: the sample line of AIT-510 blocks and the value freezes. That "cannot be trusted", and is not "cloudy".

What tells when the flow switch sticks as well is computed in ``tests/simulator/test_direct_events``.
"""

import asyncio
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from gateway.local.messages import AlarmStatus, Answered, Ask, Status
from simulator.stage import Script
from tests.acceptance.office import Office, gaps
from tests.acceptance.play import RATE, SOONER_S, Play, Record, Verdict, playing, record_of, struck_utc_ms
from tests.site_copy import release_sooner

pytestmark = [pytest.mark.acceptance, pytest.mark.timeout(200)]

TAG = "AIT-510"
POLL_S, SCAN_S = 5, 1
LATE_S = 0.25 * RATE  # a poll, on a busy machine


@dataclass(frozen=True, kw_only=True)
class Played:
    struck_utc_ms: int
    verdicts: list[Verdict]
    status: Status
    end: dict[str, Any]
    record: Record
    office: Office

    def bad(self) -> Verdict:
        """The first verdict after the event that is not good."""
        return next(one for one in self.verdicts if one.utc_ms >= self.struck_utc_ms and one.quality != "good")

    def bad_after_s(self) -> float:
        return (self.bad().utc_ms - self.struck_utc_ms) / 1_000

    def trip_after_bad_s(self) -> float:
        return (self.record.one("trip", "I-05").utc_ms - self.bad().utc_ms) / 1_000

    def message(self) -> dict[str, Any]:
        """The only one there was."""
        (message,) = self.office.messages
        return message


async def _until_tripped(play: Play) -> None:
    await play.event("trip", "I-05")
    await play.truth_when(lambda true: bool(true["proven_divert"]), "XV-901 proven at divert")
    await play.event("exposure", "I-05")


async def _finish(play: Play, status: Status) -> Played:
    await play.told()
    end = await play.truth()
    await play.message("TURBIDITY-UNKNOWN")
    await play.stopped()
    return Played(
        struck_utc_ms=struck_utc_ms(end),
        verdicts=list(play.verdicts[TAG]),
        status=status,
        end=end,
        record=record_of(play.stage),
        office=play.office,
    )


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the visitor asked after the trip, and what the alarm looked like then."""

    release: Answered
    acknowledge: Answered
    again: Answered
    alarm: AlarmStatus


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Played, Asked]:
    return asyncio.run(_play_blocked(tmp_path_factory.mktemp("E03")))


@pytest.fixture
def blocked(both: tuple[Played, Asked]) -> Played:
    return both[0]


@pytest.fixture
def asked(both: tuple[Played, Asked]) -> Asked:
    return both[1]


async def _play_blocked(folder: Path) -> tuple[Played, Asked]:
    async with playing(folder, Script(event="E03", rate=RATE, start="2025-02-20 02:05")) as play:
        release_sooner(play.stage.site, SOONER_S)
        field = await play.start()
        visitor = play.visitor(field)
        await play.deliver(visitor)
        await _until_tripped(play)
        release = await visitor.release("product", "it is only the instrument")
        acknowledge = Ask(id="seen", action="acknowledge", subject="TURBIDITY-UNKNOWN", occurrence=1)
        first, again = await field.ask(acknowledge), await field.ask(acknowledge)
        status = await field.status()
        (alarm,) = (one for one in status.alarms if one.alarm == "TURBIDITY-UNKNOWN")
        return await _finish(play, status), Asked(release=release, acknowledge=first, again=again, alarm=alarm)


def test_the_value_is_bad_within_ten_seconds_for_want_of_sample_flow(blocked: Played) -> None:
    assert 0 <= blocked.bad_after_s() <= 10
    assert (blocked.bad().quality, blocked.bad().reason) == ("bad", "no_sample_flow")


def test_i_05_trips_after_a_minute(blocked: Played) -> None:
    assert 60 <= blocked.trip_after_bad_s() <= 60 + 2 * SCAN_S
    trip = blocked.record.one("trip", "I-05")
    assert 60 <= (trip.utc_ms - blocked.struck_utc_ms) / 1_000 <= 60 + POLL_S + LATE_S + SCAN_S
    assert trip.facts["quality_reason"] == "no_sample_flow"


def test_delivery_was_diverted_and_nothing_passed(blocked: Played) -> None:
    assert blocked.end["proven_divert"]
    assert not blocked.end["permitted"]
    assert blocked.end["into_tank_l"] > 0  # it was delivering before
    assert blocked.end["out_of_limits_into_tank_l"] == 0
    assert blocked.record.one("exposure", "I-05").facts["passed_l"] == 0


def test_one_message_says_that_the_value_cannot_be_trusted(blocked: Played) -> None:
    message = blocked.message()
    assert (message["alarm"], message["priority"], message["nature"]) == ("TURBIDITY-UNKNOWN", "P1", "untrusted")
    assert "cannot be trusted" in message["text"]
    assert "Delivery stopped, valve proven at divert" in message["text"]
    assert "no sample flow" in message["more"]


def test_the_message_does_not_say_cloudy_and_gives_no_figure(blocked: Played) -> None:
    text = blocked.message()["text"] + blocked.message()["more"]
    for wrong in ("cloudy", "above its limit", "NTU", "0.71", "did not move"):
        assert wrong not in text


def test_nothing_else_tripped(blocked: Played) -> None:
    assert [one.subject for one in blocked.record.all("trip")] == ["I-05"]
    assert [one.subject for one in blocked.record.all("alarm")] == ["TURBIDITY-UNKNOWN"]
    assert blocked.record.one("first_out").subject == "TURBIDITY-UNKNOWN"


def test_a_release_is_refused_while_the_cause_stands_and_names_every_item(asked: Asked, blocked: Played) -> None:
    assert not asked.release.granted
    assert (asked.release.reason, asked.release.confirm) == ("not_ready", 0)
    ticks = {item.text: (item.satisfied, item.detail) for item in asked.release.items}
    (cause,) = (text for text in ticks if text.startswith("I-05 "))
    (grab,) = (text for text in ticks if "grab sample" in text)
    assert ticks[cause] == (False, "not so now")
    # The one of the start was taken before the trip, and hardly anything has been diverted since.
    assert not ticks[grab][0]
    assert ticks[grab][1].endswith("m3 so far; none entered yet")
    assert ticks["valve XV-901 proven at divert"][0]
    assert ticks["no interlock bypassed"][0]
    refused = blocked.record.one("release_refused")
    assert refused.person == "VISITOR-OP"
    assert cause in str(refused.facts["missing"])
    assert grab in str(refused.facts["missing"])


def test_an_acknowledgement_is_granted_and_lets_nothing_go(asked: Asked, blocked: Played) -> None:
    assert asked.acknowledge.granted
    assert asked.alarm.state == "ACKED"
    (product,) = (one for one in blocked.status.outputs if one.output == "product")
    assert (product.level, product.reasons) == ("withdrawn", ("I-05",))


def test_the_same_request_twice_gets_the_same_answer_and_is_carried_out_once(asked: Asked, blocked: Played) -> None:
    assert asked.again == asked.acknowledge
    assert blocked.record.one("acknowledged").person == "VISITOR-OP"


def test_record_and_office_agree(blocked: Played) -> None:
    assert blocked.record.findings == []
    assert blocked.office.faults == []
    assert not gaps(blocked.office.events)
    assert not +blocked.office.doubles
