"""E19: for twenty minutes the gateway's disk takes no write. Delivery is diverted, and nothing is missing afterwards.

Played from three minutes before; the demo's half hour of good readings before a
release is a minute here.
"""

import asyncio
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from gateway.configuration.plant import load_site
from gateway.replay.checking import check_record
from simulator.stage import Script
from tests.acceptance.play import RATE, Record, playing, record_of, until
from tests.site_copy import release_sooner

pytestmark = [pytest.mark.acceptance, pytest.mark.timeout(240)]

START = "2025-02-13 02:57"
FAILS_S = 1_200
SLACK_S = 0.375 * RATE  # of a look at the plant


@dataclass(frozen=True, kw_only=True)
class Played:
    before: dict[str, Any]
    meanwhile: dict[str, Any]
    restored: dict[str, Any]
    struck_utc_ms: int
    messages: list[str]
    exit_code: int
    log: str
    record: Record
    site: Path

    def since_s(self, utc_ms: int) -> float:
        return (utc_ms - self.struck_utc_ms) / 1_000


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    return asyncio.run(_play(tmp_path_factory.mktemp("disk")))


async def _play(folder: Path) -> Played:
    async with playing(folder, Script(event="E19", rate=RATE, start=START)) as play:
        release_sooner(play.stage.site, 60)
        await play.deliver(play.visitor(await play.start()))
        before = await play.after_event(-10)
        meanwhile = await play.after_event(FAILS_S - 60)
        restored = await play.truth_when(
            lambda true: bool(true["permitted"]) and true["since_event_s"] > FAILS_S, "permission given back"
        )
        await until(lambda: bool(play.office.texts("RECORD-LOST")), "message about RECORD-LOST")
        await play.told()
        return Played(
            before=before,
            meanwhile=meanwhile,
            restored=restored,
            struck_utc_ms=int(before["utc_ms"]) - round(before["since_event_s"] * 1_000),
            messages=play.office.texts("RECORD-LOST"),
            exit_code=await play.stopped(),
            log=play.log(),
            record=record_of(play.stage),
            site=play.stage.site,
        )


def test_delivery_is_diverted_after_a_minute_without_a_record(played: Played) -> None:
    assert played.before["permitted"]
    assert not played.meanwhile["permitted"]
    trip = played.record.one("trip", "I-19")
    assert 60 <= played.since_s(trip.utc_ms) <= 60 + 10 + 5 + 1 + SLACK_S  # a commit, a look, a scan


def test_it_comes_back_by_itself_five_minutes_after_the_disk_takes_writes(played: Played) -> None:
    back_s = played.since_s(int(played.restored["utc_ms"]))
    assert FAILS_S + 300 <= back_s <= FAILS_S + 300 + 36 + 5 + 5 + SLACK_S  # longest pause, a look, a write
    assert played.record.one("restored", "I-19").scan <= played.record.all("level", "product")[-1].scan
    assert "the record can be written again" in played.log


def test_what_happened_meanwhile_is_on_record_with_its_own_times_and_nothing_is_missing(played: Played) -> None:
    assert played.record.findings == []
    assert played.record.all("gap") == []
    assert [entry.n for entry in played.record.journal] == list(range(1, len(played.record.journal) + 1))
    turbidity = [played.since_s(at) for at, _ in played.record.readings("AIT-510")]
    assert len([at for at in turbidity if 0 <= at <= FAILS_S]) >= FAILS_S / 5 * 0.9
    failing = [value for _, value in played.record.readings("GW-RECORD")]
    assert FAILS_S - 60 <= max(failing) <= FAILS_S + 36 + SLACK_S
    assert failing[-1] == 0


def test_the_office_hears_of_it_once_it_is_on_record(played: Played) -> None:
    assert "no record can be written" in played.messages[0], played.messages


def test_the_gateway_stops_in_order_and_what_it_decided_can_be_decided_again(played: Played) -> None:
    assert played.exit_code == 0
    checked = check_record(load_site(played.site), played.site / "record" / "plant.db")
    assert [one.differences for one in checked] == [()]
