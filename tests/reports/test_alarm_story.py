"""The story of one occurrence: what was in force, what the plant did, who did what, how long it took."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from gateway.core.alarm import AlarmText
from gateway.core.cause_groups import GroupRules, Place
from gateway.core.plant import Plant
from gateway.core.request import Action
from gateway.reports.alarm_story import NotTold, alarm_story
from tests.core.plants import GOOD_GRAB, PLANT
from tests.reports.journaled import Journaled

CET = ZoneInfo("CET")
TEXT = AlarmText(
    says="filter water cloudy", cause="filter", consequence="x", action="look", respond_within_ms=1_800_000
)
WORDED = replace(PLANT, alarms=tuple(replace(rule, text=TEXT) for rule in PLANT.alarms))


def tripped() -> Journaled:
    """Cloudy water, the trip, an acknowledgement after 40 s, clear again, released by a person, explained."""
    bench = Journaled()
    bench.read(TURB=12.0)
    bench.run(40)
    bench.ask(Action.ACKNOWLEDGE, "TURB-HIGH", reason="")
    bench.read(TURB=0.5, ZSC=1.0)
    bench.run(70)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    bench.release("feed")
    assert bench.release("product").granted
    bench.ask(Action.EXPLAIN, "TURB-HIGH", cause="late backwash")
    bench.run(2)
    return bench


def story(bench: Journaled, alarm: str = "TURB-HIGH", occurrence: int = 0, plant: Plant = WORDED) -> str:
    return alarm_story(bench.entries, plant, alarm, occurrence, CET)


def test_it_says_what_was_in_force_how_long_it_took_and_who_answered() -> None:
    text = story(tripped())
    assert text.startswith("TURB-HIGH, occurrence 1: filter water cloudy\n")
    for words in ("value 12", "limit 5", "deadband 0.5", "on delay s 5", "priority P3"):
        assert words in text
    assert "from onset to alarm: 5 s\n" in text
    assert "to acknowledgement: 35 s, by VISITOR-OP\n" in text
    assert "until it returned: 36 s\n" in text
    assert "time allowed to respond: 30 min\n" in text
    assert "cause: late backwash\n" in text
    assert "corrective action: not entered yet\n" in text


def test_it_tells_what_the_plant_did_from_the_onset_until_it_was_given_back() -> None:
    text = story(tripped())
    told = [line for line in text.splitlines() if line.startswith("   ")]
    words = [" ".join(line.split()[3:]) for line in told]
    for expected in ("I-TURB trip", "product is to stand at another level", "TURB-HIGH ALARM", "product released"):
        assert any(expected in line for line in words), expected
    assert any("product released by VISITOR-OP" in line for line in words)
    numbers = [int(line.split()[0]) for line in told]
    assert numbers == sorted(set(numbers))


def test_a_trip_that_came_later_is_not_part_of_it() -> None:
    bench = tripped()
    lines = story(bench).splitlines()
    bench.read(CHLORINE=0.5)
    bench.run(60)
    assert bench.level("product") == "withdrawn"
    bench.read(CHLORINE=5.0)
    assert story(bench).splitlines() == lines


def test_what_has_nothing_to_do_with_it_is_left_out() -> None:
    assert "CHLORINE" not in story(tripped())
    assert "grab_sample" not in story(tripped())


def test_the_newest_occurrence_is_told_unless_one_is_named_and_each_ends_where_the_next_begins() -> None:
    bench = tripped()
    bench.read(TURB=6.0)
    bench.run(10)
    bench.ask(Action.EXPLAIN, "TURB-HIGH", occurrence=1, corrective_action="entered much later")
    assert story(bench).startswith("TURB-HIGH, occurrence 2")
    assert "acknowledgement: not yet" in story(bench)
    assert "until it returned: not yet" in story(bench)
    assert "entered much later" not in story(bench)
    first = story(bench, occurrence=1)
    assert first.startswith("TURB-HIGH, occurrence 1")
    assert "corrective action: entered much later\n" in first
    assert first.count(" ALARM") == 1


def test_alarms_of_one_cause_tell_of_each_other() -> None:
    places = {"TURB-HIGH": Place(), "CLOUDY": Place(upstream=frozenset({"TURB-HIGH"}))}
    bench = Journaled(replace(WORDED, cause_groups=GroupRules(places=places, settles_ms=60_000)))
    bench.read(TURB=12.0)
    bench.run(30)
    follows = story(bench, "CLOUDY")
    assert "caused by TURB-HIGH" in follows
    for text in (follows, story(bench)):
        assert "cause group" in text
        assert "alarms TURB-HIGH, CLOUDY" in text


def test_an_alarm_about_an_interlock_tells_of_that_interlock() -> None:
    text = story(tripped(), "CLOUDY")
    assert "I-TURB trip" in text
    assert "CLOUDY ALARM" in text


@pytest.mark.parametrize(
    ("alarm", "occurrence", "told"),
    [
        ("NO-SUCH", 0, "NO-SUCH has not sounded in this record; is it the name of an alarm?"),
        ("TURB-HIGH", 7, "TURB-HIGH has no occurrence 7 in this record; its newest are 1"),
    ],
)
def test_what_is_not_there_is_told_in_a_sentence(alarm: str, occurrence: int, told: str) -> None:
    with pytest.raises(NotTold) as why:
        story(tripped(), alarm, occurrence)
    assert str(why.value) == told


def test_an_alarm_that_is_not_declared_any_more_still_has_its_story() -> None:
    text = story(tripped(), plant=replace(PLANT, alarms=()))
    assert text.startswith("TURB-HIGH, occurrence 1: not declared any more\n")
    assert "value 12" in text


def test_an_alarm_that_was_changed_since_says_so() -> None:
    changed = tuple(replace(rule, revision="new") for rule in WORDED.alarms)
    bench = tripped()
    assert "has been changed since" not in story(bench)
    for entry in bench.entries:
        entry.facts.update({"revision": "old"} if entry.kind == "alarm" else {})
    assert "has been changed since" in story(bench, plant=replace(WORDED, alarms=changed))
