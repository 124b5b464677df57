"""The field process is killed while delivering. The plant diverts by itself, and nothing returns but by the rule.

The supervisor is stopped (SIGSTOP) for as long as the field process shall be
away, since it would start it again after a second. The first kill and what the
plant does then is played at twice real time, so that a look is no second late.
The demo's half hour of good readings before a release is two minutes here, and
its ten minutes before the permission returns by itself are five.
"""

import asyncio
import os
import signal
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from gateway.local.client import FieldClient
from gateway.local.messages import Answered, OutputStatus
from simulator.stage import Script
from tests.acceptance.office import Office, gaps
from tests.acceptance.play import (
    PATIENCE_S,
    RATE,
    SOONER_S,
    Play,
    Record,
    playing,
    processes_of,
    record_of,
    until,
)
from tests.site_copy import release_sooner, return_sooner

pytestmark = [pytest.mark.acceptance, pytest.mark.timeout(240)]

HEARTBEAT_LOST_S, HEARTBEAT_PERIOD_S, STROKE_S = 15, 5, 12
RETURN_AFTER_S = 300
ON_ITS_WAY_S = 60 + RATE  # the interval of the history, and a second of the machine in which it is sent


@dataclass(frozen=True, kw_only=True)
class Kill:
    """What was true around a kill; times in plant milliseconds UTC."""

    before: dict[str, Any]
    diverting: dict[str, Any]
    proven: dict[str, Any]
    killed_utc_ms: int

    def after_s(self, true: dict[str, Any]) -> float:
        return (int(true["utc_ms"]) - self.killed_utc_ms) / 1_000


@dataclass(frozen=True, kw_only=True)
class Played:
    first: Kill
    at_the_start: OutputStatus
    permitted_meanwhile: set[bool]
    returned: dict[str, Any]
    second: Kill
    latched: OutputStatus
    refused: Answered
    much_later: dict[str, Any]
    released: Answered
    delivering: dict[str, Any]
    exit_code: int
    stopped: dict[str, Any]
    diverted: dict[str, Any]
    left: dict[str, int]
    record: Record
    office: Office


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    return asyncio.run(_play(tmp_path_factory.mktemp("kill")))


async def _play(folder: Path) -> Played:
    async with playing(folder, Script(event="calm", rate=RATE)) as play:
        release_sooner(play.stage.site, SOONER_S)
        return_sooner(play.stage.site, RETURN_AFTER_S)
        await play.deliver(play.visitor(await play.start()))
        await play.control.ask(do="rate", rate=2)
        first = await _kill(play)
        field = await _back(play)
        at_the_start = await _product(field)
        permitted_meanwhile, returned = await _until_it_returns(play)
        second = await _kill(play, away_s=75)
        field = await _back(play)
        latched = await _product(field)
        visitor = play.visitor(field)
        refused = await visitor.release("product", "trying at once")
        much_later = await play.after(RETURN_AFTER_S + 120)
        released = await play.deliver(visitor)
        delivering = await play.truth()
        await play.told()
        exit_code = await play.stopped()
        stopped = await play.truth()
        left = processes_of(play.stage.site)
        diverted = await play.truth_when(lambda true: bool(true["proven_divert"]), "XV-901 proven at divert")
        return Played(
            first=first,
            at_the_start=at_the_start,
            permitted_meanwhile=permitted_meanwhile,
            returned=returned,
            second=second,
            latched=latched,
            refused=refused,
            much_later=much_later,
            released=released,
            delivering=delivering,
            exit_code=exit_code,
            stopped=stopped,
            diverted=diverted,
            left=left,
            record=record_of(play.stage),
            office=play.office,
        )


async def _kill(play: Play, *, away_s: float = 0.0) -> Kill:
    """Stop the supervisor, kill the field process, see what the plant does, and let the supervisor go on."""
    processes = processes_of(play.stage.site)
    os.kill(processes["run"], signal.SIGSTOP)
    try:
        before = await play.truth()
        os.kill(processes["field"], signal.SIGKILL)
        killed_utc_ms = int(before["utc_ms"])  # a little early, so that what follows comes out a little late
        diverting = await play.truth_when(lambda true: not true["product_commanded"], "solenoid of XV-901 off")
        proven = await play.truth_when(lambda true: bool(true["proven_divert"]), "XV-901 proven at divert")
        await play.after(away_s - (proven["utc_ms"] - killed_utc_ms) / 1_000)
    finally:
        os.kill(processes["run"], signal.SIGCONT)
    return Kill(before=before, diverting=diverting, proven=proven, killed_utc_ms=killed_utc_ms)


async def _back(play: Play) -> FieldClient:
    """The field process that the supervisor has started again."""
    await until(lambda: "field" in processes_of(play.stage.site), "field process started again")
    field = await play.listen()
    await play.truth_when(lambda true: true["cause"] & 1 == 1, "permission withdrawn in the register")
    return field


async def _product(field: FieldClient) -> OutputStatus:
    """How the permission stands once the controller has been read: a scan is what learns of it."""
    async with asyncio.timeout(PATIENCE_S):
        while True:
            product = next(one for one in (await field.status()).outputs if one.output == "product")
            if "controller not read yet" not in product.reasons:
                return product
            await asyncio.sleep(0.02)


async def _until_it_returns(play: Play) -> tuple[set[bool], dict[str, Any]]:
    """Whether it was permitted at any look before the event that says so, and what was true when the valve is there."""
    permitted: set[bool] = set()
    await play.control.ask(do="rate", rate=RATE)
    while not any(one.kind == "returned" for one in play.heard):
        true = await play.truth()
        if not any(one.kind == "returned" for one in play.heard):
            permitted.add(bool(true["permitted"] or true["product_commanded"]))
        await asyncio.sleep(0.02)
    return permitted, await play.truth_when(lambda true: bool(true["proven_product"]), "XV-901 proven at product")


def test_it_was_delivering_when_it_was_killed(played: Played) -> None:
    for kill in (played.first, played.second):
        assert kill.before["permitted"]
        assert kill.before["proven_product"]


def test_the_solenoid_is_off_within_16_s_of_the_kill(played: Played) -> None:
    """By PC1 alone: 15 s without a heartbeat, of which up to 5 s had passed already."""
    after_s = played.first.after_s(played.first.diverting)
    assert HEARTBEAT_LOST_S - HEARTBEAT_PERIOD_S - 1 <= after_s <= 16
    assert played.first.diverting["heartbeat_lost"]


def test_the_valve_is_proven_at_divert_within_28_s_of_the_kill(played: Played) -> None:
    assert HEARTBEAT_LOST_S - HEARTBEAT_PERIOD_S - 1 + STROKE_S <= played.first.after_s(played.first.proven) <= 28
    assert played.first.proven["permitted"]  # the register still says so: nobody is there to take it back


def test_feed_and_toilet_supply_go_on_without_a_gateway(played: Played) -> None:
    assert not played.first.proven["feed_stopped"]
    assert not played.first.proven["supply_stopped"]
    assert played.first.proven["feed_runs"]


def test_it_comes_back_withdrawn_and_proves_itself(played: Played) -> None:
    assert played.at_the_start.level == "withdrawn"
    assert played.at_the_start.reasons == ("proving after a start",)
    starts = played.record.all("start")
    assert [one.run for one in starts] == [1, 2, 3]
    assert starts[1].facts["state"] == "resumed"


def test_nothing_returns_before_so_many_minutes_of_good_data(played: Played) -> None:
    proving = played.record.one("proving", "product")
    returned = played.record.one("returned", "product")
    assert (proving.run, returned.run) == (2, 2)
    after_s = (returned.utc_ms - proving.utc_ms) / 1_000
    assert after_s >= RETURN_AFTER_S
    assert played.permitted_meanwhile == {False}


def test_it_returns_by_itself_when_the_rule_holds(played: Played) -> None:
    """The slowest reading that counts is polled once a minute; nobody is asked."""
    proving, returned = played.record.one("proving", "product"), played.record.one("returned", "product")
    assert (returned.utc_ms - proving.utc_ms) / 1_000 <= RETURN_AFTER_S + 90
    assert played.returned["permitted"]
    assert played.returned["proven_product"]
    assert not [one for one in played.record.all("released") if one.run == 2]


def test_away_for_more_than_a_minute_it_comes_back_latched(played: Played) -> None:
    assert played.latched.level == "withdrawn"
    assert played.latched.reasons == ("start",)
    (latched,) = (one for one in played.record.all("start_latched", "product") if one.run == 3)
    assert latched.reason == "away too long"


def test_then_it_does_not_return_by_itself(played: Played) -> None:
    assert not played.much_later["permitted"]
    assert not [one for one in played.record.all("returned") if one.run == 3]
    permissions = [one for one in played.record.all("level", "product") if one.run == 3]
    assert all(one.n > _release(played).n for one in permissions)


def test_it_needs_a_release_with_a_new_grab_sample(played: Played) -> None:
    assert not played.refused.granted
    missing = [item.text for item in played.refused.items if not item.satisfied]
    assert any("grab sample since the trip or start" in text for text in missing)
    assert played.released.granted
    assert _release(played).person == "VISITOR-OP"
    assert played.delivering["permitted"]
    assert played.delivering["proven_product"]


def _release(played: Played) -> Any:
    (release,) = (one for one in played.record.all("released", "product") if one.run == 3)
    return release


def test_an_orderly_stop_while_delivering_withdraws_the_permission_at_once(played: Played) -> None:
    """The register is written and read back before it ends, by it alone; the valve then needs its 12 s."""
    assert played.exit_code == 0
    assert not played.stopped["permitted"]
    assert not played.stopped["product_commanded"]
    assert played.record.journal[-1].facts["permission_withdrawn"] is True
    assert played.diverted["utc_ms"] - played.stopped["utc_ms"] <= (STROKE_S + 10) * 1_000
    assert played.left == {}


def test_the_record_is_whole_over_both_kills(played: Played) -> None:
    assert played.record.findings == []
    assert [one.n for one in played.record.journal] == list(range(1, len(played.record.journal) + 1))


def test_nothing_comes_twice_but_what_was_on_its_way_at_a_kill(played: Played) -> None:
    """What the broker had not said yes to is sent again; the office drops it by its identity."""
    kills_utc_ms = (played.first.killed_utc_ms, played.second.killed_utc_ms)
    for utc_ms in played.office.doubled_utc_ms:
        assert any(-RATE <= (kill - utc_ms) / 1_000 <= ON_ITS_WAY_S for kill in kills_utc_ms), utc_ms


def test_the_office_has_every_line_over_both_kills(played: Played) -> None:
    assert not gaps(played.office.events)
    told = {n: one["kind"] for (_, n), one in played.office.events.items()}
    expected = {one.n: one.kind for one in played.record.journal if one.n in told}
    assert told == expected
    assert [one.kind for one in played.record.journal if one.n not in told] in ([], ["stop"])
    assert any(state["field"] == "dead" for state in played.office.states)
    assert played.office.faults == []
