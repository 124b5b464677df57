"""Faults that are put into the decisions, or into the configuration they run by, for the prover to find.

Each names the slice in which it shows. A fault of the decisions is a patch of one function or one entry of a table; a
fault of the configuration is a plant that runs instead of the one that was declared.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pytest

from gateway.core import condition, interlock, judgement, output, permissive, restart, scan, validity, voting
from gateway.core.condition import Answer
from gateway.core.interlock import State, Trigger
from gateway.core.move import Move
from gateway.core.plant import Plant
from gateway.core.request import Action
from gateway.core.sample import Number
from gateway.core.state import Offer
from gateway.core.validity import GovernorState
from gateway.core.voting import BadVote

Patch = Callable[[pytest.MonkeyPatch], None]
Change = Callable[[Plant], Plant]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault.

    Args:
        name: what is wrong, in words.
        where: the slice, or an interlock, ``output NAME``, ``tag NAME`` for all of its slices; with ``small:`` of the
            small plant of the tests.
        patch: of the decisions.
        runs: the plant that runs instead of the declared one.
        declared: the plant that is declared, where that itself is unsound.
    """

    name: str
    where: str
    patch: Patch | None = None
    runs: Change | None = None
    declared: Change | None = None


def _set(module: object, name: str, made: Callable[[Any], Any]) -> Patch:
    """Replace a function by one that is made from it."""
    return lambda patch: patch.setattr(module, name, made(getattr(module, name)))


def _interlock(name: str, **changed: Any) -> Change:
    def change(plant: Plant) -> Plant:
        return replace(
            plant,
            interlocks=tuple(replace(rule, **changed) if rule.id == name else rule for rule in plant.interlocks),
        )

    return change


def _cause(name: str, place: int, **changed: Any) -> Change:
    def change(plant: Plant) -> Plant:
        rule = next(one for one in plant.interlocks if one.id == name)
        causes = tuple(replace(cause, **changed) if at == place else cause for at, cause in enumerate(rule.causes))
        return _interlock(name, causes=causes)(plant)

    return change


def _release(output_id: str, **changed: Any) -> Change:
    def change(plant: Plant) -> Plant:
        return replace(
            plant,
            releases=tuple(replace(rule, **changed) if rule.output == output_id else rule for rule in plant.releases),
        )

    return change


def _output(output_id: str, **changed: Any) -> Change:
    def change(plant: Plant) -> Plant:
        return replace(
            plant,
            outputs=tuple(replace(rule, **changed) if rule.id == output_id else rule for rule in plant.outputs),
        )

    return change


def _tag(name: str, **changed: Any) -> Change:
    def change(plant: Plant) -> Plant:
        return replace(
            plant,
            tags=tuple(replace(rule, **changed) if rule.tag == name else rule for rule in plant.tags),
        )

    return change


def _without(name: str) -> Change:
    return lambda plant: replace(plant, interlocks=tuple(rule for rule in plant.interlocks if rule.id != name))


# --- made decisions --------------------------------------------------------------------------------------------


def _never_latches(_real: Any) -> Any:
    return lambda state, *_: state


def _bad_is_clear(real: Any) -> Any:
    def count(cause: Any, votes: Any, asked: Any) -> Any:
        return real(
            cause, votes, [one._replace(answer=Answer.CLEAR) if one.answer is Answer.BAD else one for one in asked]
        )

    return count


def _two_bad_never_trip(real: Any) -> Any:
    def count(cause: Any, votes: Any, asked: Any) -> Any:
        bad = [one for one in asked if one.answer is Answer.BAD]
        if len(asked) == 3 and len(bad) > 1:
            asked = [one._replace(answer=Answer.CLEAR) if one.answer is Answer.BAD else one for one in asked]
        return real(cause, votes, asked)

    return count


def _delay_of_an_input(real: Any) -> Any:
    """The delay starts afresh when other inputs than before make the vote."""

    def step(cause: Any, state: Any, view: Any) -> Any:
        after, vote = real(cause, state, view)
        if after.votes != state.votes and after.total_since_ms is not None:
            after = replace(after, total_since_ms=view.now_ms, good_since_ms=view.now_ms)
        return after, vote

    return step


def _bypass_survives(real: Any) -> Any:
    def after_restart(rule: Any, state: Any, *, saved_ms: int, shift_ms: int) -> Any:
        after, events = real(rule, state, saved_ms=saved_ms, shift_ms=shift_ms)
        return replace(after, bypassed_until_ms=state.bypassed_until_ms), events

    return after_restart


def _bypass_outlives_a_cause(real: Any) -> Any:
    """A bypass goes on for as long as the cause stands."""

    def step(rule: Any, state: Any, view: Any) -> Any:
        until_ms = state.bypassed_until_ms
        if until_ms is not None and view.now_ms >= until_ms and state.cause_present:
            state = replace(state, bypassed_until_ms=view.now_ms + 1_000)
        return real(rule, state, view)

    return step


def _remembers_a_refused_release(patch: pytest.MonkeyPatch) -> None:
    """What was refused once is carried out as soon as everything is well."""
    ask, outputs = judgement._release, scan._step_outputs

    def asked(work: Any, request: Any) -> None:
        ask(work, request)
        if not work.answers[-1].granted:
            work.offer = Offer(number=1, output=request.subject, person="remembered", until_ms=work.now_ms + 10**8)

    def stepped(work: Any) -> None:
        offer = work.offer
        if offer is not None and offer.person == "remembered" and scan._all_good(work, offer.output):
            rule = work.rules.outputs[offer.output]
            work.outputs[rule.id] = output.release(rule, work.outputs[rule.id], work.now_ms)
            work.interlocks = {name: interlock.let_go(one) for name, one in work.interlocks.items()}
            work.offer = None
        outputs(work)

    patch.setitem(judgement._ACTIONS, Action.RELEASE, asked)
    patch.setattr(scan, "_step_outputs", stepped)


def _frees_every_output(real: Any) -> Any:
    def carry_out(work: Any, request: Any, rule: Any, items: Any) -> None:
        real(work, request, rule, items)
        work.outputs = {name: replace(one, latches=()) for name, one in work.outputs.items()}
        work.interlocks = {name: interlock.let_go(one) for name, one in work.interlocks.items()}

    return carry_out


def _at_once_after_a_start(real: Any) -> Any:
    def after_restart(rule: Any, state: Any, **given: Any) -> Any:
        after, events = real(rule, state, **given)
        return replace(after, proving=False, baseline_awaited=False), events

    return after_restart


def _forgets_latches(real: Any) -> Any:
    def after_restart(rule: Any, state: Any, **given: Any) -> Any:
        after, events = real(rule, replace(state, latches=()), **given)
        return replace(after, proving=rule.permit, latches=()), events

    return after_restart


def _trusts_any_baseline(_real: Any) -> Any:
    return lambda _rule, state, *_: replace(state, baseline_awaited=False)


def _trusts_any_code(_real: Any) -> Any:
    return lambda _rule, state, *_: (state, [])


def _second_cause_is_passed_over(real: Any) -> Any:
    return lambda cause, state, vote, now_ms: cause.trip_delay_ms != 300_000 and real(cause, state, vote, now_ms)


def _always_vouched(_real: Any) -> Any:
    return lambda *_: GovernorState()


def _no_value_vouches(real: Any) -> Any:
    def govern(when: Any, state: Any, verdict: Any, now_ms: int) -> Any:
        return real(when, state, verdict if isinstance(verdict, Number) else Number(when.minimum), now_ms)

    return govern


def _no_purge(real: Any) -> Any:
    return lambda when, state, verdict, now_ms: real(replace(when, purge_ms=0), state, verdict, now_ms)


def _deadband_is_clear(real: Any) -> Any:
    return lambda value, limit, _: real(value, limit, 0.0)


def _any_item_will_do(real: Any) -> Any:
    return lambda rule, situation: tuple(replace(one, satisfied=True) for one in real(rule, situation))


def _restored_at_once(real: Any) -> Any:
    return lambda rule, state, tally, now_ms: real(replace(rule, restore_delay_ms=0), state, tally, now_ms)


def _forgets_what_was_voted(_real: Any) -> Any:
    """Without a value, an input votes no more: a signal that flaps between bad and high resets its delay."""
    return lambda before, answer: answer is Answer.IN or (before and answer is Answer.BETWEEN)


def _in_the_middle_starts_afresh(_real: Any) -> Any:
    """The deadband works while the delay runs as well."""
    return lambda before, answer: (
        answer is Answer.IN or (before and answer in (Answer.BAD, Answer.HELD, Answer.AWAITED))
    )


def _one_cause_starts_the_other_afresh(real: Any) -> Any:
    """Of two causes that stand, both count from the one that came last."""

    def step(rule: Any, state: Any, view: Any) -> Any:
        after, events = real(rule, state, view)
        begun = [one.total_since_ms for one in after.causes if one.total_since_ms is not None]
        if len(begun) < 2:
            return after, events
        causes = tuple(replace(one, total_since_ms=max(begun), good_since_ms=max(begun)) for one in after.causes)
        return replace(after, causes=causes), events

    return step


def _gone_when_one_is_gone(real: Any) -> Any:
    """The time that a release asks for is not broken off by another cause."""

    def noted(rule: Any, state: Any, tally: Any, now_ms: int) -> Any:
        after = real(rule, state, tally, now_ms)
        since_ms = now_ms if state.clear_since_ms is None else state.clear_since_ms
        return replace(after, clear_since_ms=since_ms) if state.tripped and rule.latched else after

    return noted


def _still_for_one_more(real: Any) -> Any:
    return lambda one, memory, view: real(replace(one, after_ms=one.after_ms + 1_000), memory, view)


def _proven_by_no_value(real: Any) -> Any:
    """A position without a value counts as proven."""

    def asked(one: Any, memory: Any, view: Any) -> Any:
        if not isinstance(view.verdict(one.tag), Number) and view.safe_since_ms.get(one.output) is not None:
            return condition.Asked(Answer.CLEAR, memory)
        return real(one, memory, view)

    return asked


def _bypassed_while_tripped(patch: pytest.MonkeyPatch) -> None:
    patch.setitem(interlock.MOVES, (State.TRIPPED, Trigger.BYPASS), Move(State.BYPASSED))
    patch.setitem(interlock.MOVES, (State.LATCHED, Trigger.BYPASS), Move(State.BYPASSED))


def _anybody(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(permissive, "not_allowed", lambda *_: "")


DECISIONS = (
    Fault(name="an interlock does not latch", where="I-02", patch=_set(output, "latch", _never_latches)),
    Fault(name="a bad input counts as clear", where="I-10b", patch=_set(voting, "_count", _bad_is_clear)),
    Fault(
        name="two of three without a value never trip",
        where="small:I-LEVELS",
        patch=_set(voting, "_count", _two_bad_never_trip),
    ),
    Fault(
        name="the delay belongs to the inputs and not to their vote",
        where="small:I-LEVELS",
        patch=_set(interlock, "step_cause", _delay_of_an_input),
    ),
    Fault(
        name="a bypass survives a restart",
        where="I-10b",
        patch=_set(interlock, "after_restart", _bypass_survives),
    ),
    Fault(
        name="a bypass lasts as long as its cause",
        where="I-10b",
        patch=_set(interlock, "step", _bypass_outlives_a_cause),
    ),
    Fault(
        name="a bypass may last for any time",
        where="I-10b",
        patch=_set(interlock, "_bypass_refusal", lambda _: lambda *_: ""),
    ),
    Fault(name="what is tripped can be bypassed", where="I-10b", patch=_bypassed_while_tripped),
    Fault(name="a refused release is remembered", where="I-10b", patch=_remembers_a_refused_release),
    Fault(
        name="a release does not look at its conditions",
        where="I-10b",
        patch=_set(judgement, "tick_list", _any_item_will_do),
    ),
    Fault(
        name="a release lets go of every output", where="I-08", patch=_set(judgement, "_carry_out", _frees_every_output)
    ),
    Fault(
        name="a release needs no first step",
        where="output product",
        patch=_set(judgement, "_offered", lambda _: lambda *_: True),
    ),
    Fault(name="anybody may release, from anywhere", where="output feed", patch=_anybody),
    Fault(
        name="delivery goes on at once after a restart",
        where="I-10b",
        patch=_set(output, "after_restart", _at_once_after_a_start),
    ),
    Fault(name="a restart forgets latches", where="I-10b", patch=_set(output, "after_restart", _forgets_latches)),
    Fault(
        name="the restart rule forgives any absence",
        where="I-10b",
        patch=_set(restart._Gap, "bars", lambda _: lambda *_: ""),
    ),
    Fault(
        name="what the controller holds after a start is not looked at",
        where="output product, I-01 and what the controller holds",
        patch=_set(output, "_baseline", _trusts_any_baseline),
    ),
    Fault(
        name="a trip that only the controller knows is not taken back",
        where="output supply, I-08 and what the controller holds",
        patch=_set(output, "_baseline", _trusts_any_baseline),
    ),
    Fault(
        name="a foreign write is not noticed",
        where="output product, I-01 and what the controller holds",
        patch=_set(output, "_compare", _trusts_any_code),
    ),
    Fault(
        name="returns without live good data",
        where="I-10b",
        patch=_set(scan, "_all_good", lambda _: lambda *_: True),
    ),
    Fault(
        name="the second cause is passed over",
        where="I-01 cause 2, AIT-510 lost",
        patch=_set(interlock, "ripe", _second_cause_is_passed_over),
    ),
    Fault(name="the deadband counts as clear", where="I-02", patch=_set(condition, "_beyond", _deadband_is_clear)),
    Fault(
        name="the deadband works on a running delay",
        where="I-02",
        patch=_set(voting, "_vote", _in_the_middle_starts_afresh),
    ),
    Fault(
        name="without a value an input forgets its vote",
        where="I-02",
        patch=_set(voting, "_vote", _forgets_what_was_voted),
    ),
    Fault(
        name="without a latch it is back at once", where="I-13", patch=_set(interlock, "_trigger", _restored_at_once)
    ),
    Fault(
        name="the short cut sees no cause anywhere",
        where="I-02",
        patch=_set(interlock, "plainly_without_cause", lambda _: lambda *_: True),
    ),
    Fault(
        name="a held input withdraws nothing",
        where="I-06, AIT-801 held",
        patch=_set(scan, "held_demands", lambda _: lambda *_: []),
    ),
    Fault(
        name="one cause starts the other afresh",
        where="I-01 latch",
        patch=_set(interlock, "step", _one_cause_starts_the_other_afresh),
    ),
    Fault(
        name="the time since the cause is gone runs on while it stands",
        where="I-10b",
        patch=_set(interlock, "_noted", _gone_when_one_is_gone),
    ),
    Fault(
        name="what stands still is noticed a second late",
        where="I-05c",
        patch=_set(condition, "_ask_no_change", _still_for_one_more),
    ),
    Fault(
        name="a position without a value proves the valve",
        where="I-08",
        patch=_set(condition, "_ask_unproven", _proven_by_no_value),
    ),
    Fault(
        name="sample flow is not asked for",
        where="tag AIT-801 with FIT-801S",
        patch=_set(validity, "_govern", _always_vouched),
    ),
    Fault(
        name="sample flow without a value vouches",
        where="tag AIT-801 with FIT-801S",
        patch=_set(validity, "_govern", _no_value_vouches),
    ),
    Fault(
        name="fresh water is not waited for",
        where="tag AIT-801 with FIT-801S",
        patch=_set(validity, "_govern", _no_purge),
    ),
    Fault(
        name="status bits are not looked at",
        where="tag AIT-801 with AN2-STS",
        patch=_set(validity, "_spoiled", lambda _: lambda *_: None),
    ),
    Fault(
        name="the test constant is not looked at",
        where="tag AIT-510 with AN1-TST",
        patch=_set(validity, "_by_constant", lambda _: lambda *_: None),
    ),
)


CONFIGURATION = (
    Fault(name="runs without a latch", where="I-02", runs=_interlock("I-02", latched=False)),
    Fault(name="runs without an effect", where="I-02", runs=_interlock("I-02", effects=())),
    Fault(name="runs in shadow", where="I-02", runs=_interlock("I-02", shadow=True)),
    Fault(name="runs with a longer delay", where="I-02", runs=_cause("I-02", 0, trip_delay_ms=121_000)),
    Fault(
        name="runs with a longer delay for want of a value",
        where="I-10a",
        runs=_cause("I-10a", 0, bad_trip_delay_ms=61_000),
    ),
    Fault(name="runs with bad inputs left to others", where="I-10b", runs=_cause("I-10b", 0, bad=BadVote.ELSEWHERE)),
    Fault(name="runs with a longer bypass", where="I-10b", runs=_interlock("I-10b", bypass_max_ms=14_401_000)),
    Fault(
        name="runs with a bypass that is not allowed",
        where="I-19",
        runs=_interlock("I-19", bypassable=True),
    ),
    Fault(name="runs with a shorter return", where="I-13", runs=_interlock("I-13", restore_delay_ms=299_000)),
    Fault(name="runs with a shorter clear time", where="I-10b", runs=_release("product", clear_ms=1_799_000)),
    Fault(
        name="runs with a release that does not ask for the position",
        where="output product",
        runs=_release("product", requirements=()),
    ),
    Fault(
        name="runs with a release that looks at no cause",
        where="I-10b",
        runs=_release("product", exempt=frozenset({"I-10b"})),
    ),
    Fault(name="runs with a release from afar", where="output feed", runs=_release("feed", remote_allowed=True)),
    Fault(name="runs without a stale limit", where="I-10b", runs=_tag("PWR-OK", stale_after_ms=None)),
    Fault(name="runs with a later stale limit", where="tag FIT-701", runs=_tag("FIT-701", stale_after_ms=16_000)),
    Fault(
        name="runs with less good data after a start", where="I-10b", runs=_output("product", return_after_ms=599_000)
    ),
    Fault(
        name="runs with a longer absence forgiven", where="I-10b", runs=_output("product", return_within_ms=3_600_000)
    ),
    Fault(name="nobody watches an input that is left to others", where="I-02", declared=_without("I-06")),
    Fault(name="nobody watches the mains", where="I-10b", declared=_cause("I-10b", 0, bad=BadVote.ELSEWHERE)),
)
FAULTS = (*DECISIONS, *CONFIGURATION)
