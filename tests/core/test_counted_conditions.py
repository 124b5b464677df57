"""Time beyond a limit and number of occurrences in a rolling window, against a plain reckoning of the same history."""

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.core.alarm import AlarmRule
from gateway.core.condition import (
    NOTHING,
    Answer,
    Condition,
    Count,
    Limit,
    Memory,
    Side,
    TimeBeyond,
    View,
    ask,
    memory_after_restart,
)
from gateway.core.outcome import EventKind
from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.restart import resume
from gateway.core.sample import NoNumber, Number, Reading
from gateway.core.validity import AWAITED, HELD, TagRule, Verdict
from gateway.core.window import PARTS, total
from gateway.store.scan_state import from_bytes, to_bytes
from tests.core.plants import Bench

IN, CLEAR = Answer.IN, Answer.CLEAR
CLOUDY = Limit(tag="A", side=Side.HIGH, limit=5.0, deadband=1.0)
FIVE_OF_60_MIN = TimeBeyond(level=CLOUDY, more_than_ms=5 * 60_000, window_ms=60 * 60_000)
STARTS = Count(tag="A", at_least=3, window_ms=600_000, becomes=1.0)
NUMBER = Count(tag="A", at_least=10, window_ms=600_000)
PEAKS = Count(tag="A", at_least=2, window_ms=600_000, level=CLOUDY)
BAD = NoNumber(Reason.STALE)


class Asking:
    """A condition asked again and again, its memory kept."""

    def __init__(self, condition: Condition) -> None:
        self.condition = condition
        self.memory: Memory = NOTHING
        self.now_ms = 0

    def says(self, value: float | Verdict, *, after_s: float = 10.0) -> Answer:
        elapsed_ms = round(after_s * 1_000)
        self.now_ms += elapsed_ms
        verdict = Number(value) if isinstance(value, float) else value
        view = View(now_ms=self.now_ms, verdicts={"A": verdict}, rates={}, safe_since_ms={}, elapsed_ms=elapsed_ms)
        asked = ask(self.condition, self.memory, view)
        self.memory = asked.memory
        return asked.answer

    def says_for(self, value: float | Verdict, seconds: int) -> Answer:
        answers = [self.says(value) for _ in range(seconds // 10)]
        return answers[-1]


def test_time_beyond_adds_up_over_interruptions_and_is_in_condition_above_its_minutes() -> None:
    asking = Asking(FIVE_OF_60_MIN)
    asking.says(6.0)
    asking.says_for(6.0, 200)
    asking.says_for(1.0, 600)
    assert asking.says_for(6.0, 90) is CLEAR
    assert asking.says(6.0) is CLEAR  # 300 s: not more than five minutes
    assert asking.says(6.0) is IN


def test_time_beyond_clears_when_its_minutes_have_left_the_window() -> None:
    asking = Asking(FIVE_OF_60_MIN)
    asking.says(6.0)
    assert asking.says_for(6.0, 310) is IN
    assert asking.says_for(1.0, 3_600 - 310) is IN
    assert asking.says_for(1.0, 3_600 // PARTS + 20) is CLEAR
    asking.says_for(1.0, 400)
    assert asking.memory.marks == ()


def test_inside_the_deadband_time_counts_as_what_it_was_before() -> None:
    up, down = Asking(FIVE_OF_60_MIN), Asking(FIVE_OF_60_MIN)
    up.says(4.5)
    up.says_for(4.5, 900)
    down.says(6.0)
    assert down.says_for(4.5, 310) is IN
    assert up.memory.marks == ()


@pytest.mark.parametrize(
    ("unseen", "answer"), [(BAD, Answer.BAD), (HELD, Answer.HELD), (AWAITED, Answer.AWAITED)], ids=str
)
def test_time_that_nobody_sees_counts_as_neither(unseen: Verdict, answer: Answer) -> None:
    asking = Asking(FIVE_OF_60_MIN)
    asking.says(6.0)
    asking.says_for(6.0, 200)
    assert asking.says_for(unseen, 900) is answer
    counted_ms = total(asking.memory.marks)
    assert counted_ms == 210_000  # up to the first scan that saw nothing
    asking.says(6.0)
    assert total(asking.memory.marks) == counted_ms


@given(st.lists(st.tuples(st.booleans(), st.integers(1, 60)), min_size=1, max_size=25))
def test_time_beyond_is_what_a_plain_sum_over_the_window_says(pieces: Sequence[tuple[bool, int]]) -> None:
    """Exact but for one part of the window, by which what leaves it counts too long."""
    asking, beyond_s, before = Asking(FIVE_OF_60_MIN), list[bool](), False
    for high, tens in pieces:
        for _ in range(tens):
            asking.says(9.0 if high else 0.0)
            beyond_s += [before] * 10
            before = high
        window_ms = 1_000 * sum(beyond_s[-3_600:])
        longer_ms = 1_000 * sum(beyond_s[-3_600 - 3_600 // PARTS - 10 :])
        assert window_ms <= total(asking.memory.marks) <= longer_ms
        assert len(asking.memory.marks) <= PARTS + 1


def test_a_count_is_in_condition_from_the_occurrence_that_makes_it_until_one_leaves_the_window() -> None:
    asking = Asking(STARTS)
    for second in (0, 100, 200):
        assert asking.says(0.0, after_s=50) is CLEAR
        last = asking.says(1.0, after_s=50)
        assert last is (IN if second == 200 else CLEAR)
    assert asking.says(1.0, after_s=399) is IN  # 599 s after the first
    assert asking.says(1.0, after_s=1) is CLEAR


def test_a_first_reading_is_no_occurrence_and_one_across_a_gap_is() -> None:
    asking = Asking(STARTS)
    asking.says(1.0)
    assert asking.memory.marks == ()
    for unseen in (BAD, HELD, AWAITED):
        asking.says(0.0)
        asking.says(unseen)
        asking.says(1.0)
    assert total(asking.memory.marks) == 3


def test_steps_of_a_running_number_count_and_going_back_counts_none() -> None:
    asking = Asking(NUMBER)
    for value in (100.0, 104.0, 109.0):
        assert asking.says(value) is CLEAR
    assert asking.says(2.0) is CLEAR  # replaced
    assert asking.says(3.0) is IN


def test_rises_above_a_limit_count_once_each_with_its_deadband() -> None:
    asking = Asking(PEAKS)
    for value in (1.0, 6.0, 4.5, 6.0, 7.0):
        assert asking.says(value) is CLEAR
    asking.says(4.0)
    assert asking.says(5.5) is IN


@given(st.lists(st.tuples(st.integers(1, 200), st.integers(0, 5)), max_size=80))
def test_a_count_is_what_a_plain_count_over_the_window_says(steps: Sequence[tuple[int, int]]) -> None:
    asking, number, grown = Asking(NUMBER), 0, list[tuple[int, int]]()
    asking.says(0.0)
    for after_s, by in steps:
        number += by
        answer = asking.says(float(number), after_s=after_s)
        grown.append((asking.now_ms, by))
        plain = sum(one for at_ms, one in grown if at_ms > asking.now_ms - NUMBER.window_ms)
        assert answer is (IN if plain >= NUMBER.at_least else CLEAR)
        assert len(asking.memory.marks) <= NUMBER.at_least


def test_a_restart_carries_marks_into_the_new_monotonic_time() -> None:
    memory = Memory(value=1.0, since_ms=5_000, marks=((4_000, 1), (9_000, 2)))
    assert memory_after_restart(memory, -3_000) == Memory(value=1.0, since_ms=2_000, marks=((1_000, 1), (6_000, 2)))


# --- in the scan ---


def bench_with(condition: Condition) -> Bench:
    plant = Plant(tags=(TagRule(tag="A"),), alarms=(AlarmRule(id="X", condition=condition),))
    bench = Bench(plant)
    bench.reads = {}
    return bench


def play(bench: Bench, reading: Reading, seconds: int) -> None:
    bench.reads = {"A": reading}
    bench.run(seconds)


def test_a_restart_in_the_middle_goes_on_counting_and_the_time_away_counts_as_neither() -> None:
    bench = bench_with(FIVE_OF_60_MIN)
    play(bench, Number(6.0), 201)
    bench.state = from_bytes(to_bytes(bench.state))
    bench.monotonic_ms += 400_000
    bench.utc_ms += 400_000
    bench.state, _ = resume(bench.rules, bench.state, bench.tick(), same_boot=True)
    play(bench, Number(6.0), 99)
    assert bench.found(EventKind.ALARM) == []
    play(bench, Number(6.0), 2)
    (alarm,) = bench.found(EventKind.ALARM, "X")
    assert {key: alarm.facts[key] for key in ("kind", "limit", "more_than_min", "window_min", "counted_min")} == {
        "kind": "time above",
        "limit": 5.0,
        "more_than_min": 5.0,
        "window_min": 60.0,
        "counted_min": pytest.approx(5.0, abs=0.05),
    }


def test_the_alarm_of_a_count_tells_what_was_counted() -> None:
    bench = bench_with(STARTS)
    for _ in range(3):
        play(bench, Number(0.0), 5)
        play(bench, Number(1.0), 5)
    (alarm,) = bench.found(EventKind.ALARM, "X")
    assert (alarm.facts["kind"], alarm.facts["counted"], alarm.facts["at_least"], alarm.facts["window_min"]) == (
        "count",
        3,
        3,
        10.0,
    )
    bench.run(600)
    assert [event.kind for event in bench.events if event.subject == "X"] == [EventKind.ALARM, EventKind.RTN]
