"""When a field process counts as dead, and what is kept of what was heard."""

import msgspec

from gateway.field.clock import ManualClock
from gateway.local.messages import Hello, JournalEntry, LiveEvent, TagValue, Values
from gateway.uplink.picture import Picture


def heard(scan: int, **values: float) -> Values:
    told = tuple(TagValue(tag=tag, quality="good", value=value, n=scan) for tag, value in values.items())
    return Values(scan=scan, utc_ms=0, values=told)


def entry(kind: str, scan: int, subject: str = "", **facts: str) -> LiveEvent:
    line = JournalEntry(n=scan, run=1, scan=scan, monotonic_ms=0, utc_ms=0, utc_trusted=True, kind=kind)
    return LiveEvent(entry=msgspec.structs.replace(line, subject=subject, facts=facts))


def linked() -> tuple[Picture, ManualClock]:
    clock = ManualClock()
    picture = Picture(clock.now)
    picture.link_up(Hello(run=1))
    picture.take(heard(1))
    return picture, clock


def test_before_anything_is_heard_it_is_not_known() -> None:
    assert Picture(ManualClock().now).health().word == "unknown"


def test_a_scan_number_unchanged_for_fifteen_seconds_is_a_dead_field_process() -> None:
    picture, clock = linked()
    clock.advance(14_999)
    picture.take(heard(1))
    assert picture.health().word == "running"
    clock.advance(1)
    assert picture.health().word == "dead"
    assert "no scan for 15 s, the last was 1" in picture.health().reason
    picture.take(heard(2))
    assert picture.health().word == "running"


def test_a_scan_number_that_starts_again_after_a_restart_is_life() -> None:
    picture, clock = linked()
    picture.take(heard(500))
    clock.advance(15_000)
    picture.take(heard(1))
    assert picture.health().word == "running"


def test_a_gone_socket_is_a_dead_field_process_at_once() -> None:
    picture, _ = linked()
    picture.link_down("the connection was lost")
    assert (picture.health().word, picture.health().reason) == ("dead", "the connection was lost")


def test_an_orderly_stop_is_told_as_such() -> None:
    picture, _ = linked()
    picture.take(entry("stop", 2))
    picture.link_down("the connection was lost")
    assert picture.health().reason == "stopped in order"


def test_changes_that_could_not_be_sent_do_not_hide_newer_ones() -> None:
    picture, _ = linked()
    picture.take(heard(2, A=1.0, B=1.0))
    taken, picture.changed = picture.changed, {}
    picture.take(heard(3, A=2.0))
    picture.give_back(taken)
    assert {tag: value.value for tag, value in picture.changed.items()} == {"A": 2.0, "B": 1.0}


def test_values_of_an_earlier_run_are_forgotten_with_their_numbers() -> None:
    picture, _ = linked()
    picture.take(heard(2, A=1.0))
    picture.link_down("lost")
    picture.link_up(Hello(run=2))
    assert picture.changed == {}
    assert not picture.reads("A", 1.0)


def test_the_newest_word_on_a_level_counts() -> None:
    picture, _ = linked()
    assert picture.level("product") == ""
    picture.take(entry("level", 5, "product", to="withdrawn"))
    picture.take(entry("level", 4, "product", to="permitted"))
    assert picture.level("product") == "withdrawn"
