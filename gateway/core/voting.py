"""How causes vote: k of the inputs, with a delay that belongs to the voted result and not to an input.

An input keeps its last vote while it is bad, held or awaited; what a bad one
counts for is the cause's choice. Decides whether a vote is made and for how
long it has stood; what follows from it is for ``interlock``.
"""

from dataclasses import dataclass, field, replace
from enum import Enum
from typing import NamedTuple

from gateway.core.condition import (
    NOTHING,
    Answer,
    Asked,
    Condition,
    Look,
    Memory,
    View,
    ask,
    look_of,
    memory_after_restart,
)
from gateway.core.delay import due, running_since, shifted

_IN, _CLEAR = Answer.IN, Answer.CLEAR


class BadVote(Enum):
    """What a bad input does to the vote."""

    TRIP = "vote_trip"  # counts as a vote to trip
    DROP = "drop"  # leaves the vote; when none is left the interlock trips
    ELSEWHERE = "elsewhere"  # another interlock with the same effects watches its quality; the last vote stands


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One way to trip: k of the inputs in condition for a time.

    Args:
        inputs: the conditions that vote.
        needed: how many of them make the vote.
        trip_delay_ms: the vote must stand this long.
        bad: what bad inputs do.
        bad_trip_delay_ms: with this, the trip delay counts only while good
            inputs alone make the vote, and this one while the vote is made
            with or without bad inputs; None applies the trip delay to both.
        looks: one look at each input, made of ``inputs``.
    """

    inputs: tuple[Condition, ...]
    needed: int = 1
    trip_delay_ms: int = 0
    bad: BadVote = BadVote.TRIP
    bad_trip_delay_ms: int | None = None
    looks: tuple[Look, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "looks", tuple(look_of(one) for one in self.inputs))


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseState:
    """What is remembered of one cause.

    Args:
        votes: last vote of each input.
        memories: of each input's condition.
        good_since_ms: since when good inputs alone make the vote.
        total_since_ms: since when the vote is made with or without bad inputs.
    """

    votes: tuple[bool, ...]
    memories: tuple[Memory, ...]
    good_since_ms: int | None = None
    total_since_ms: int | None = None


def fresh_cause(cause: Cause) -> CauseState:
    """The state of a cause of which nothing is known yet: nobody votes."""
    return CauseState(votes=(False,) * len(cause.inputs), memories=(NOTHING,) * len(cause.inputs))


class Vote(NamedTuple):
    """The result of one cause: made by good inputs alone, made at all, and the same without awaited inputs."""

    good: bool
    total: bool
    good_live: bool
    total_live: bool
    awaited: bool
    since_ms: int | None  # exact start, where a single input knows it


_NOBODY = Vote(good=False, total=False, good_live=False, total_live=False, awaited=False, since_ms=None)


def step_cause(cause: Cause, state: CauseState, view: View) -> tuple[CauseState, Vote]:
    """Ask every input, count, and let the delays run."""
    if _at_rest(state) and _plainly_clear(cause, view):
        return state, _NOBODY  # as it mostly is
    asked = _asked(cause, state.memories, view)
    votes = tuple([_vote(before, one.answer) for before, one in zip(state.votes, asked, strict=True)])
    vote = _count(cause, votes, asked)
    memories = tuple([one.memory for one in asked])
    good_since_ms = _since(state.good_since_ms, vote.good, vote.since_ms, view.now_ms)
    total_since_ms = _since(state.total_since_ms, vote.total, vote.since_ms, view.now_ms)
    if (votes, good_since_ms, total_since_ms) == (state.votes, state.good_since_ms, state.total_since_ms) and (
        memories == state.memories
    ):
        return state, vote
    return CauseState(votes=votes, memories=memories, good_since_ms=good_since_ms, total_since_ms=total_since_ms), vote


def _at_rest(state: CauseState) -> bool:
    """Nobody votes and no delay runs: clear inputs leave it as it is."""
    return state.total_since_ms is None and state.good_since_ms is None and True not in state.votes


def _plainly_clear(cause: Cause, view: View) -> bool:
    for look in cause.looks:  # noqa: SIM110 - for every cause in every scan; a generator takes twice as long
        if look(view) is not _CLEAR:
            return False
    return True


def _asked(cause: Cause, memories: tuple[Memory, ...], view: View) -> list[Asked]:
    """What every input says; where one look shows that it is in condition or clear, it is not asked."""
    asked = []
    for look, one, memory in zip(cause.looks, cause.inputs, memories, strict=True):
        answer = look(view)
        plain = answer is _CLEAR or answer is _IN
        asked.append(Asked(answer, memory) if answer is not None and plain else ask(one, memory, view))
    return asked


def _vote(before: bool, answer: Answer) -> bool:  # noqa: FBT001 - a vote is a truth value
    if answer is Answer.IN:
        return True
    return before and answer is not Answer.CLEAR


def _since(since_ms: int | None, made: bool, exact_ms: int | None, now_ms: int) -> int | None:  # noqa: FBT001 - as above
    if not made:
        return None
    return running_since(since_ms, now_ms) if exact_ms is None else exact_ms


def _count(cause: Cause, votes: tuple[bool, ...], asked: list[Asked]) -> Vote:
    """Count the votes; a bad input votes, leaves, or lets its last vote stand, as the cause says."""
    answers = [one.answer for one in asked]
    if answers.count(Answer.CLEAR) == len(answers):
        return _NOBODY  # as it mostly is
    stands = cause.bad is BadVote.ELSEWHERE
    bad = 0 if stands else answers.count(Answer.BAD)
    voting = [vote and (stands or answer is not Answer.BAD) for vote, answer in zip(votes, answers, strict=True)]
    everything = sum(voting)
    live = sum(vote and answer is not Answer.AWAITED for vote, answer in zip(voting, answers, strict=True))
    left = len(votes) - bad if cause.bad is BadVote.DROP else len(votes)
    needed = min(cause.needed, left)
    extra = bad if cause.bad is BadVote.TRIP else 0
    nobody = left == 0
    return Vote(
        good=not nobody and everything >= needed,
        total=nobody or everything + extra >= needed,
        good_live=not nobody and live >= needed,
        total_live=nobody or live + extra >= needed,
        awaited=Answer.AWAITED in answers,
        since_ms=asked[0].since_ms if len(asked) == 1 else None,
    )


def ripe(cause: Cause, state: CauseState, vote: Vote, now_ms: int) -> bool:
    """Whether the vote has stood long enough. A vote from before a restart keeps a delay but cannot trip."""
    if cause.bad_trip_delay_ms is None:
        return vote.total_live and due(state.total_since_ms, cause.trip_delay_ms, now_ms)
    by_good = vote.good_live and due(state.good_since_ms, cause.trip_delay_ms, now_ms)
    return by_good or (vote.total_live and due(state.total_since_ms, cause.bad_trip_delay_ms, now_ms))


def cause_after_restart(state: CauseState, shift_ms: int) -> CauseState:
    """Votes and running delays survive; stamps are carried into the new run's monotonic time."""
    return replace(
        state,
        memories=tuple(memory_after_restart(one, shift_ms) for one in state.memories),
        good_since_ms=shifted(state.good_since_ms, shift_ms),
        total_since_ms=shifted(state.total_since_ms, shift_ms),
    )
