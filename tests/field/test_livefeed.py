"""What is still to be said to whom: the real feed beside a simple model."""

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from gateway.field.livefeed import FellBehind, LiveFeed, Place
from gateway.local import frames
from gateway.local.messages import FromField, JournalEntry, LiveEvent, TagValue, Values

RING = 4


def entry(n: int) -> JournalEntry:
    return JournalEntry(n=n, run=1, scan=n, monotonic_ms=n, utc_ms=n, utc_trusted=True, kind="trip")


class FeedHistory(RuleBasedStateMachine):
    """One client that reads now and then; the model remembers everything that was ever published."""

    @initialize(before=st.integers(min_value=0, max_value=3))
    def begins(self, before: int) -> None:
        self.feed = LiveFeed(RING)
        self.newest: dict[str, float] = {}
        self.known: dict[str, float] = {}
        self.scan = 0
        self.heard_scan = 0
        self.missing: list[int] = []
        for _ in range(before):
            self.values_are_published({"A": 1.0})
        self.place = self.feed.place()

    @rule(changed=st.dictionaries(st.sampled_from("ABC"), st.floats(0, 9), max_size=3))
    def values_are_published(self, changed: dict[str, float]) -> None:
        self.scan += 1
        self.newest |= changed
        told = tuple(TagValue(tag=tag, quality="good", value=value) for tag, value in changed.items())
        self.feed.take_values(Values(scan=self.scan, utc_ms=0, values=told))

    @rule(n=st.integers(min_value=1, max_value=99))
    def an_event_is_published(self, n: int) -> None:
        self.feed.take_event(entry(n))
        self.missing.append(n)

    @rule()
    def the_client_reads_all(self) -> None:
        if len(self.missing) > RING:
            with pytest.raises(FellBehind, match=f"{len(self.missing)} events not read"):
                self.feed.next_frames(self.place)
            self.missing.clear()
            self.place = self.feed.place()  # it connects again
            self.known = {}
        decoder = frames.from_field()
        while framed := self.feed.next_frames(self.place):
            for message, _ in decoder.feed(framed):
                self.hear(message)
        assert self.missing == []
        assert self.known == self.newest
        assert self.heard_scan == self.scan

    def hear(self, message: FromField) -> None:
        if isinstance(message, LiveEvent):
            assert message.entry == entry(self.missing.pop(0))
        if isinstance(message, Values):
            assert self.missing == [], "events come before values"
            self.heard_scan = message.scan
            self.known |= {each.tag: each.value or 0.0 for each in message.values}

    @invariant()
    def a_client_costs_two_numbers(self) -> None:
        if hasattr(self, "place"):
            assert isinstance(self.place, Place)


FeedHistory.TestCase.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
TestFeedHistory = FeedHistory.TestCase


def test_only_what_changed_since_is_told_again() -> None:
    feed = LiveFeed()
    place = feed.place()
    feed.take_values(Values(scan=1, utc_ms=1, values=(TagValue(tag="A", quality="good", value=1.0),)))
    feed.next_frames(place)
    feed.take_values(Values(scan=2, utc_ms=2, values=(TagValue(tag="B", quality="bad", reason="stale"),)))
    [(told, _)] = frames.from_field().feed(feed.next_frames(place))
    assert told == Values(scan=2, utc_ms=2, values=(TagValue(tag="B", quality="bad", reason="stale"),))
    assert feed.next_frames(place) == b""


def test_a_new_client_hears_no_events_of_before() -> None:
    feed = LiveFeed()
    feed.take_event(entry(1))
    assert feed.next_frames(feed.place()) == b""
