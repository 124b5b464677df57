"""Floods, chattering and standing alarms beyond the timelines."""

from hypothesis import given
from hypothesis import strategies as st

from gateway.core.alarm import AlarmState
from gateway.core.figures import NO_FIGURES, FigureRules, FigureState, after_restart, step
from gateway.core.outcome import Event, EventKind

RULES = FigureRules(
    flood_window_ms=600_000,
    flood_above=10,
    flood_below=5,
    chatter_window_ms=60_000,
    chatter_count=3,
    stale_after_ms=1_000_000,
)
ACTIVE = {"A": AlarmState(active=True, acked=False, occurrence=1), "B": AlarmState(occurrence=1)}


def play(times_s: list[int], *, until_s: int, rules: FigureRules = RULES) -> list[tuple[int, EventKind]]:
    """Alarm A is annunciated at these seconds; what is told at which second."""
    state: FigureState = NO_FIGURES
    told = []
    for second in range(until_s + 1):
        said = [Event(kind=EventKind.ALARM, subject="A")] * times_s.count(second)
        state, events = step(rules, state, said, ACTIVE, second * 1_000)
        told += [(second, event.kind) for event in events]
    return told


def test_a_standing_alarm_is_told_once_an_occurrence() -> None:
    assert play([5], until_s=3_000) == [(1_005, EventKind.STALE)]


def test_a_hidden_alarm_does_not_stand() -> None:
    assert step(RULES, NO_FIGURES, [], {"B": AlarmState(occurrence=1)}, 9_000_000)[1] == []


def test_an_alarm_that_chatters_on_is_told_again_only_after_a_quiet_window() -> None:
    told = play([1, 10, 20, 40, 70, 95, 160, 170, 180], until_s=200)
    assert told == [(20, EventKind.CHATTER), (180, EventKind.CHATTER)]


def test_without_rules_nothing_is_told() -> None:
    assert play([1] * 50, until_s=2_000, rules=FigureRules()) == []


@given(st.lists(st.integers(0, 1_500), max_size=60))
def test_a_flood_begins_and_ends_as_a_plain_count_says(times_s: list[int]) -> None:
    flood, expected = False, []
    for second in range(2_200):
        count = sum(second - 600 < one <= second for one in times_s)
        if not flood and count > 10:
            flood = True
            expected.append((second, EventKind.FLOOD_BEGIN))
        elif flood and count < 5:
            flood = False
            expected.append((second, EventKind.FLOOD_END))
    floods = {EventKind.FLOOD_BEGIN, EventKind.FLOOD_END}
    assert [one for one in play(times_s, until_s=2_199) if one[1] in floods] == expected


def test_an_alarm_that_a_new_configuration_no_longer_has_is_forgotten_at_the_restart() -> None:
    said = [Event(kind=EventKind.ALARM, subject="A")]
    state, _ = step(RULES, NO_FIGURES, said, ACTIVE, 1_000)
    again = after_restart(state, {"B"}, 500)
    assert (again.alarms, again.times_ms) == ({}, (1_500,))
    assert step(RULES, again, [], {"B": AlarmState()}, 9_000_000)[1] == []
