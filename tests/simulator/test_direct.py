"""Plant and decisions in one process: what the gateway says to the scripted events, beside what is true."""

import dataclasses
import sys
from pathlib import Path

import pytest

from gateway.configuration.plant import LoadedSite, load_site
from gateway.core.outcome import EventKind
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber
from simulator import direct
from simulator.almanac import SECOND_MS, local_ms
from simulator.devices import behind
from simulator.direct import DirectRun, month
from simulator.events import EVENTS
from simulator.faults import SOUND, Faults
from simulator.plant import truth
from simulator.site import DEMO_SITE

SCAN_MS = 5_000


@pytest.fixture(scope="module")
def site() -> LoadedSite:
    return load_site(DEMO_SITE)


def played(site: LoadedSite, event: str, until_s: float) -> DirectRun:
    """An event from its start to some time after it struck."""
    run = DirectRun(site, EVENTS[event], scan_ms=SCAN_MS)
    run.run_to(run.plant.strikes_ms + round(until_s * SECOND_MS))
    return run


def subjects(run: DirectRun, kind: EventKind) -> list[str]:
    return [one.event.subject for one in run.told if one.event.kind is kind]


def test_a_bubble_that_shows_18_ntu_for_two_readings_trips_nothing(site: LoadedSite) -> None:
    run = played(site, "E12", 120)
    assert run.days[-1].believed["AIT-510"].high == 18.0, "it was seen"
    seen = {name: one for name, one in truth(run.plant).items() if name in {"permitted", "out_of_limits_into_tank_l"}}
    assert seen == {"permitted": True, "out_of_limits_into_tank_l": 0.0}
    assert subjects(run, EventKind.RELEASED) == ["product"]
    assert subjects(run, EventKind.TRIP) == []
    assert subjects(run, EventKind.ALARM) == []


def test_a_foreign_write_is_found_told_and_keeps_the_water_out_until_a_person_comes(site: LoadedSite) -> None:
    run = played(site, "E20", 60)
    assert subjects(run, EventKind.RELEASED) == ["product"], "it was delivering"
    assert subjects(run, EventKind.FOREIGN_WRITE) == ["product"]
    assert subjects(run, EventKind.ALARM) == ["PRODUCT-WRITTEN-OVER"]
    told = next(one for one in run.told if one.event.kind is EventKind.FOREIGN_WRITE)
    assert told.event.facts["read"] == 4_242
    assert told.tick.monotonic_ms - run.told[0].tick.monotonic_ms <= 3_600_000 + 2 * SCAN_MS
    assert truth(run.plant)["permitted"] is False
    assert run.gear.missing("product") != ()


def test_a_silent_line_is_one_alarm_and_its_readings_have_no_value(site: LoadedSite) -> None:
    event = dataclasses.replace(EVENTS["E17"], lead_ms=600_000)
    run = DirectRun(site, event, scan_ms=SCAN_MS)
    run.run_to(run.plant.strikes_ms + 150_000)
    verdicts = run.gear.outcome.verdicts
    tags = {name for name, tag in site.site.tags.items() if tag.device in {one.name for one in behind("COM2")}}
    numeric = {tag for tag in tags if site.site.tags[tag].type != "string"}
    assert {verdicts[tag] for tag in numeric if isinstance(verdicts[tag], NoNumber)} == {NoNumber(Reason.NO_ANSWER)}
    assert isinstance(verdicts["FIT-701"], NoNumber)
    assert not isinstance(verdicts["AIT-510"], NoNumber), "on the other line"
    silent = [alarm for alarm in subjects(run, EventKind.ALARM) if alarm.endswith("-SILENT")]
    assert silent == ["LINE-COM2-SILENT"]


def test_before_anybody_has_commissioned_it_nothing_is_written(
    site: LoadedSite, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(direct.Person, "_request", lambda *_, **__: None)
    run = DirectRun(site, EVENTS["calm"], scan_ms=SCAN_MS)
    writes: list[object] = []
    monkeypatch.setattr(run.plant, "write", lambda **keys: writes.append(keys))
    run.run_to(run.plant.started_ms + 600_000)
    assert writes == []
    assert run.gear.state.commissioned is None
    assert truth(run.plant)["permitted"] is False


def test_the_month_is_all_events_each_at_its_own_time() -> None:
    whole = month()

    def wrong(local: str) -> Faults:
        return whole.faults((local_ms(local) - whole.strikes_ms) / SECOND_MS)

    assert wrong("2025-02-10 21:29").forced == {}
    assert wrong("2025-02-10 21:30").forced == {"AIT-510": 18.0}
    assert wrong("2025-02-19 12:00").link_lost
    assert whole.faults(0.0) == SOUND
    (write,) = whole.writes
    assert whole.strikes_ms + write.at_s * SECOND_MS == EVENTS["E20"].strikes_ms


def test_an_event_of_the_record_is_refused_with_where_it_is_shown(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["simulator.direct", "E19"])
    assert direct.main() == 3
    assert capsys.readouterr().err == (
        "E19 needs the sockets, since nothing is recorded here: python -m simulator.demo E19\n"
    )


def test_the_command_prints_what_was_decided_and_the_days(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    days = tmp_path / "days"
    monkeypatch.setattr(
        sys, "argv", ["simulator.direct", "calm", "--hours", "0.1", "--scan", "5", "--days-file", str(days)]
    )
    assert direct.main() == 0
    out = capsys.readouterr().out
    assert "commissioned" in out
    assert "Wed 26 Feb" in out
    assert len(days.read_text(encoding="utf-8").splitlines()) == 1
