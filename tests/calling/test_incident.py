"""The clock of an incident, branch by branch: who is called when, and what ends it."""

from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.calling import incident as incidents
from gateway.calling.incident import Call, Incident, Moment, Phase, Stakes, Why
from gateway.calling.policy import MINUTES_OF_A_DAY, Ladder, Policy, Quiet, Step
from gateway.calling.reply import Word

MIN = 60_000
LADDER = Ladder(
    steps=(
        Step(after_ms=1 * MIN, role="ONCALL-1"),
        Step(after_ms=5 * MIN, role="ONCALL-1"),
        Step(after_ms=10 * MIN, role="ONCALL-2"),
        Step(after_ms=15 * MIN, role="DUTY-MGR"),
        Step(after_ms=30 * MIN, role="DESK"),
    ),
    repeat_ms=15 * MIN,
)
QUIET = Ladder(
    steps=(Step(after_ms=MIN, role="ONCALL-1"),),
    repeat_ms=240 * MIN,
    quiet=Quiet(from_minute=22 * 60, to_minute=7 * 60),
)
POLICY = Policy(ladders={"P1": LADDER, "P2": QUIET})
ALARM = ("TURBIDITY-HIGH", 1)
NOON = 12 * 60.0


@dataclass
class Clock:
    """An incident, its minute and what was said; the rota has one person a role, named like it."""

    now_min: float = 0.0
    said: list[tuple[float, str, str]] = field(default_factory=list)
    stakes: Stakes = field(default_factory=Stakes)
    one: Incident = field(init=False)
    day_began_min: float = NOON
    priority: str = "P1"

    def __post_init__(self) -> None:
        self.one = incidents.begin(POLICY, number=7, priority=self.priority, alarm=ALARM, now=self.moment)

    @property
    def moment(self) -> Moment:
        minute_of_day = (self.day_began_min + self.now_min) % MINUTES_OF_A_DAY
        return Moment(monotonic_ms=round(self.now_min * MIN), minute_of_day=minute_of_day)

    def until(self, minute: float) -> "Clock":
        """Look every half minute, as the loop does."""
        while self.now_min < minute:
            self.now_min += 0.5
            self._take(incidents.passed(POLICY, self.one, self.stakes, self.moment))
        return self

    def answers(self, person: str, word: Word, wait_min: float = 0) -> "Clock":
        self._take(
            incidents.answered(POLICY, self.one, self.moment, person=person, word=word, wait_ms=round(wait_min * MIN))
        )
        return self

    def gone(self) -> "Clock":
        self.one = incidents.gone(self.one, ALARM)
        return self

    def _take(self, stepped: tuple[Incident, tuple[Call, ...]]) -> None:
        self.one, calls = stepped
        for call in calls:
            people = (*call.people, *call.roles)
            self.one = incidents.reached(self.one, people)
            self.said += [(self.now_min, call.why.value, person) for person in people]


def test_unanswered_it_goes_up_the_ladder_and_the_last_step_is_repeated() -> None:
    assert Clock().until(62).said == [
        (1, "first", "ONCALL-1"),
        (5, "repeat", "ONCALL-1"),
        (10, "repeat", "ONCALL-2"),
        (15, "repeat", "DUTY-MGR"),
        (30, "repeat", "DESK"),
        (45, "repeat", "DESK"),
        (60, "repeat", "DESK"),
    ]


@pytest.mark.parametrize("word", [Word.TAKEN, Word.GOING])
def test_an_answer_ends_the_calling_is_confirmed_and_the_others_hear_of_it(word: Word) -> None:
    clock = Clock().until(11).answers("ONCALL-2", word).until(60)
    assert clock.said[3:] == [(11, "confirmation", "ONCALL-2"), (11, "taken", "ONCALL-1")]
    assert clock.one.phase is Phase.ANSWERED


def test_an_answer_clears_nothing_and_after_an_hour_without_change_there_is_a_reminder() -> None:
    clock = Clock().until(2).answers("ONCALL-1", Word.TAKEN).until(125)
    assert clock.said[2:] == [(62, "reminder", "ONCALL-1"), (122, "reminder", "ONCALL-1")]
    assert clock.one.stands


def test_who_waits_is_reminded_when_the_wait_is_over() -> None:
    clock = Clock().until(2).answers("ONCALL-1", Word.WAIT, wait_min=180).until(185)
    assert clock.said[2:] == [(182, "reminder", "ONCALL-1")]


def test_passed_on_the_next_step_is_called_at_once_and_the_ladder_goes_on() -> None:
    clock = Clock().until(2).answers("ONCALL-1", Word.PASS_ON).until(9)
    assert clock.said[1:] == [
        (2, "confirmation", "ONCALL-1"),
        (2, "repeat", "ONCALL-1"),
        (7, "repeat", "ONCALL-2"),
    ]


def test_nobody_passes_on_what_somebody_else_has() -> None:
    clock = Clock().until(11).answers("ONCALL-2", Word.TAKEN).answers("ONCALL-1", Word.PASS_ON).until(30)
    assert clock.one.taken_by == "ONCALL-2"
    assert clock.said[-1] == (11, "confirmation", "ONCALL-1")


def test_worse_goes_to_whoever_has_it_and_without_an_answer_the_calling_goes_on() -> None:
    clock = Clock().until(2).answers("ONCALL-1", Word.TAKEN).until(20)
    clock.stakes = Stakes(consequence=2, haste=1)
    clock.until(31)
    assert clock.said[2:] == [(20.5, "worse", "ONCALL-1"), (30.5, "repeat", "ONCALL-1")]
    assert clock.one.phase is Phase.CALLING


def test_worse_and_answered_nobody_else_is_woken() -> None:
    clock = Clock().until(2).answers("ONCALL-1", Word.TAKEN).until(20)
    clock.stakes = Stakes(consequence=2)
    clock.until(21).answers("ONCALL-1", Word.GOING).until(60)
    assert [said[1] for said in clock.said[2:]] == ["worse", "confirmation"]


@pytest.mark.parametrize("stakes", [Stakes(), Stakes(consequence=1), Stakes(haste=1)])
def test_the_same_class_again_or_a_better_one_is_no_news(stakes: Stakes) -> None:
    clock = Clock(stakes=Stakes(consequence=1, haste=1)).until(2).answers("ONCALL-1", Word.TAKEN)
    clock.stakes = stakes
    assert len(clock.until(30).said) == 2


@pytest.mark.parametrize("answer", [lambda clock: clock, lambda clock: clock.answers("ONCALL-1", Word.TAKEN)])
def test_everybody_who_was_told_hears_that_it_is_over(answer: Callable[[Clock], Clock]) -> None:
    clock = answer(Clock().until(11)).gone().until(12)
    assert {said for said in clock.said if said[1] == "all_clear"} == {
        (11.5, "all_clear", "ONCALL-1"),
        (11.5, "all_clear", "ONCALL-2"),
    }
    assert clock.one.phase is Phase.OVER
    assert clock.until(100).said[-1][1] == "all_clear"


def test_what_is_gone_before_anybody_was_told_is_not_told() -> None:
    assert Clock().until(0.5).gone().until(100).said == []


def test_effects_of_the_same_cause_join_and_it_is_over_when_all_are_gone() -> None:
    clock = Clock(priority="P2").until(0.5)
    clock.one = incidents.joined(clock.one, ("CHLORINE-LOW", 3), "P1")
    assert clock.one.priority == "P1"
    clock.gone().until(2)
    assert [said[1:] for said in clock.said] == [("first", "ONCALL-1")]
    clock.one = incidents.gone(clock.one, ("CHLORINE-LOW", 3))
    assert clock.until(3).said[-1] == (2.5, "all_clear", "ONCALL-1")


def test_the_less_urgent_waits_for_the_end_of_the_quiet_hours() -> None:
    clock = Clock(priority="P2", day_began_min=23 * 60).until(8 * 60 + 5)
    assert clock.said == [(480, "first", "ONCALL-1")]
    assert Clock(priority="P2").until(5).said == [(1, "first", "ONCALL-1")]


def test_of_no_use_is_confirmed_and_changes_no_call() -> None:
    clock = Clock().until(2).answers("ONCALL-1", Word.OF_NO_USE).until(6)
    assert [said[1] for said in clock.said] == ["first", "confirmation", "repeat"]


def test_a_priority_without_a_ladder_calls_nobody() -> None:
    assert Clock(priority="P3").until(600).said == []


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("wait"), st.floats(0.5, 90)),
        st.tuples(st.just("answer"), st.sampled_from(list(Word))),
        st.tuples(st.just("stakes"), st.builds(Stakes, consequence=st.integers(0, 3), haste=st.integers(0, 3))),
    ),
    max_size=12,
)


@given(STEPS)
def test_whatever_people_answer_calling_never_stops_for_good_while_it_stands(steps: list[tuple[str, object]]) -> None:
    clock = Clock()
    for what, how in steps:
        match what, how:
            case "wait", float(minutes):
                clock.until(clock.now_min + minutes)
            case "answer", Word() as word:
                clock.answers("ONCALL-1", word, wait_min=30)
            case "stakes", Stakes() as stakes:
                clock.stakes = stakes
    before = len(clock.said)
    clock.until(clock.now_min + 91)
    assert len(clock.said) > before, "an hour and a half without a word"
    clock.gone().until(clock.now_min + 1)
    told = {person for _, why, person in clock.said if why != Why.ALL_CLEAR.value}
    assert {person for _, why, person in clock.said if why == Why.ALL_CLEAR.value} == told
