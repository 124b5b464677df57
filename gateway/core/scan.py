"""One pass of the decisions, top to bottom. This file is the order of things.

A scan takes the site's rules, the state the last scan left, and a moment: an
instant with everything that arrived since the last one. It gives the next
state and an outcome. It asks nobody what time it is, reads nothing, writes
nothing: the same moments give the same outcomes, live or replayed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from gateway.core import alarm, cause_groups, exposure, figures, hold, interlock, output
from gateway.core.alarm import AlarmRule, SuppressWhen
from gateway.core.calculation import CalculationRule
from gateway.core.condition import StateLimit, Tripped, View
from gateway.core.evidence import evidence, limit_facts, reading
from gateway.core.exposure import ExposureState
from gateway.core.first_out import first_out
from gateway.core.interlock import InterlockRule
from gateway.core.judgement import judge_request
from gateway.core.outcome import Event, EventKind, Fact, Outcome
from gateway.core.output import OutputRule, OutputState, Readback
from gateway.core.request import Request
from gateway.core.sample import Number, Sample
from gateway.core.state import Rules, ScanState, Watched
from gateway.core.suppression import Logic
from gateway.core.tick import Tick
from gateway.core.validity import AWAITED, Awaited, Held, Verdict, accept, forget_stamps, judge, reads, silenced
from gateway.core.working import Working, demands_on, held_demands

_MS_PER_HOUR = 3_600_000
_NONE, _HIDE = Logic.NONE, Logic.HIDE
_NOTHING_HELD: Mapping[str, Verdict] = {}

Arrival = Sample | Request | Readback


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One instant, with everything that arrived since the last one, in the order of arrival."""

    tick: Tick
    arrivals: Sequence[Arrival] = ()


def scan(rules: Rules, state: ScanState, moment: Moment) -> tuple[ScanState, Outcome]:
    """One pass.

    Args:
        rules: from ``state.rules_of``.
        state: as the last scan left it.
        moment: this instant and what arrived.

    Returns:
        The next state and what was decided.
    """
    work = Working(rules, state, moment.tick)
    _notice_clock_step(work)
    _take_arrivals(work, moment.arrivals)
    _judge_tags(work)
    _step_alarms(work, rules.early_alarms)
    _step_interlocks(work)
    _step_outputs(work)
    _step_alarms(work, rules.late_alarms)
    _mark_first_out(work)
    _group_by_cause(work)
    _watch_figures(work)
    _count_exposure(work)
    return _next_state(work), _outcome(work)


# --- 1. the clock ---


def _notice_clock_step(work: Working) -> None:
    """A jump of the wall clock against the monotonic one is journaled, and stamps compare afresh."""
    jump_ms = (work.tick.utc_ms - work.before.tick.utc_ms) - work.elapsed_ms
    if abs(jump_ms) >= work.rules.plant.clock_step_ms:
        work.events.append(Event(kind=EventKind.CLOCK_STEP, facts={"by_s": jump_ms / 1000}))
        work.tags = {tag: forget_stamps(one) for tag, one in work.tags.items()}


# --- 2. what arrived, in order ---


def _take_arrivals(work: Working, arrivals: Sequence[Arrival]) -> None:
    for arrival in arrivals:
        match arrival:
            case Sample():
                _take_sample(work, arrival)
            case Request():
                judge_request(work, arrival)
            case Readback():
                _take_readback(work, arrival)


def _take_sample(work: Working, sample: Sample) -> None:
    """A sample of a calculated tag is there for the record; it is calculated afresh."""
    rule = work.rules.read.get(sample.tag)
    if rule is not None:
        holding = rule.hold_when is not None and reads(work.peek(rule.hold_when.tag), 1.0)
        work.tags[sample.tag] = accept(rule, work.tags[sample.tag], sample, now=work.tick, holding=holding)


def _take_readback(work: Working, readback: Readback) -> None:
    if work.observing:
        work.outputs = {id_: output.seen(one) for id_, one in work.outputs.items()}
        return
    restarted = readback.blank and any(readback.written.values())
    if restarted:
        work.events.append(Event(kind=EventKind.CONTROLLER_RESTARTED))
    for rule in work.rules.plant.outputs:
        work.outputs[rule.id], said = output.read_back(
            rule, work.outputs[rule.id], readback, controller_restarted=restarted, now_ms=work.now_ms
        )
        work.events += said


# --- 3. quality, once, at the tag ---


def _judge_tags(work: Working) -> None:
    """A verdict for every point; one comes after those that vouch for it, or that it is computed from."""
    work.verdicts = {}
    tags, verdicts = work.tags, work.verdicts
    held = _held_by_people(work)
    for rule in work.rules.judged:
        if isinstance(rule, CalculationRule):
            _calculate(work, rule)
            continue
        tag = rule.tag
        tags[tag], verdicts[tag] = judge(rule, tags[tag], verdicts, work.tick, beside=tags)
        if tag in held:
            tags[tag], verdicts[tag] = silenced(tags[tag]), held[tag]


def _held_by_people(work: Working) -> Mapping[str, Verdict]:
    """What is held by an announcement, whatever the instrument says."""
    if not work.holds:
        return _NOTHING_HELD
    work.holds = hold.settled(work.rules.plant.holds, work.holds, work.now_ms)
    return work.held_verdicts()


def _calculate(work: Working, rule: CalculationRule) -> None:
    state, work.verdicts[rule.about.tag] = work.calculate(rule, work.verdicts)
    if rule.formula.remembers:
        work.calculations[rule.about.tag] = state


# --- 4. and 7. alarms ---


def _step_alarms(work: Working, watched: Sequence[Watched]) -> None:
    """Alarms in listed order; those that tell of interlocks and outputs come after these."""
    view, alarms, now_ms = work.view(), work.alarms, work.now_ms
    for id_, rule, look, when in watched:
        state = alarms[id_]
        logic = _NONE if when is None else _logic(work, when)
        plain = look(view)
        if alarm.stays(rule, state, plain, now_ms) and logic is not _HIDE:
            continue  # as most do at most times
        alarms[id_], said = alarm.step(rule, state, view, logic, plain)
        if said:
            work.events += [_with_evidence(work, rule, one, view) for one in said]


def _logic(work: Working, when: SuppressWhen) -> Logic:
    if when.alarm:
        other = work.alarms[when.alarm]
        return Logic.HIDE if other.active and not other.hiding.hidden else Logic.SHOW
    verdict = work.verdicts.get(when.tag, AWAITED)
    if isinstance(verdict, Awaited | Held):
        return Logic.WAIT
    return Logic.HIDE if reads(verdict, when.equals) else Logic.SHOW


def _with_evidence(work: Working, rule: AlarmRule, event: Event, view: View) -> Event:
    if event.kind is EventKind.RTN and isinstance(rule.condition, StateLimit):  # it may have returned by its limit
        return replace(event, facts={**event.facts, **limit_facts(rule.condition, view, work.rules.tags)})
    if event.kind is not EventKind.ALARM:
        return event
    facts = evidence(rule.condition, view, work.rules.tags, work.alarms[rule.id].memory)
    if isinstance(rule.condition, Tripped):
        facts |= work.trip_facts(rule.condition.interlock, view)
    if rule.value_tag:
        facts |= reading(rule.value_tag, view, work.rules.tags)
    return replace(event, facts={**facts, **event.facts, **work.put_aside()})


# --- 5. interlocks ---


def _step_interlocks(work: Working) -> None:
    """Interlocks in listed order; a latched one latches the outputs it acts on, again if one was released before."""
    view = work.view()
    for rule in work.rules.plant.interlocks:
        state = work.interlocks[rule.id]
        if interlock.at_rest(state) and interlock.plainly_without_cause(rule, view):
            continue  # as most are at most times
        work.interlocks[rule.id], said = interlock.step(rule, state, view)
        if rule.latched and interlock.acts(rule, work.interlocks[rule.id], work.now_ms):
            for effect in rule.effects:
                work.outputs[effect.output] = output.latch(work.outputs[effect.output], rule.id, work.now_ms)
        work.events += [_with_trip_facts(work, rule, event, view) for event in said]


def _with_trip_facts(work: Working, rule: InterlockRule, event: Event, view: View) -> Event:
    if event.kind is not EventKind.TRIP:
        return event
    return replace(event, facts={**event.facts, **work.trip_facts(rule.id, view)})


# --- 6. outputs ---


def _step_outputs(work: Working) -> None:
    """Levels of every output, from latches, demands and the restart rule."""
    for rule in work.rules.plant.outputs:
        demands = demands_on(work.rules, work.interlocks, rule.id, work.outputs[rule.id].latches)
        demands += held_demands(work.rules, work.verdicts, rule.id)
        state = _flushed(work, rule, work.outputs[rule.id])
        good = _all_good(work, rule.id)
        work.outputs[rule.id], said = output.step(rule, state, demands, good=good, now_ms=work.now_ms)
        work.events += said


def _flushed(work: Working, rule: OutputRule, state: OutputState) -> OutputState:
    """Add the water that went elsewhere in this scan to what counts for a release."""
    release = work.rules.releases.get(rule.id)
    flow_m3_h = _number(work, release.flush_tag) if release is not None and state.latches else None
    if flow_m3_h is None:
        return state
    return replace(state, flushed_m3=state.flushed_m3 + max(0.0, flow_m3_h) * work.elapsed_ms / _MS_PER_HOUR)


def _number(work: Working, tag: str) -> float | None:
    verdict = work.verdicts.get(tag)
    return verdict.value if isinstance(verdict, Number) else None


def _all_good(work: Working, output_id: str) -> bool:
    """Every critical input has a usable number, and no cause stands."""
    if not all(isinstance(work.verdicts.get(tag), Number) for tag in work.rules.critical[output_id]):
        return False
    return not any(work.interlocks[name].cause_present for name, _ in work.rules.effects[output_id])


# --- 8. to 10. afterwards ---


def _mark_first_out(work: Working) -> None:
    for group, members in work.rules.plant.first_out_groups.items():
        first = first_out(members, work.before.alarms, work.alarms)
        if first:
            work.events.append(Event(kind=EventKind.FIRST_OUT, subject=first, facts={"group": group}))


def _group_by_cause(work: Working) -> None:
    """Alarms that follow from another say so in their own line, and the group gets one of its own."""
    rules = work.rules.plant.cause_groups
    work.cause_groups, said = cause_groups.step(rules, work.cause_groups, work.alarms, work.now_ms)
    work.events = [_with_cause(work, event) for event in work.events] + said


def _with_cause(work: Working, event: Event) -> Event:
    hidden = event.kind is EventKind.HIDDEN_CHANGE and event.reason == EventKind.ALARM.value
    if event.kind is not EventKind.ALARM and not hidden:
        return event
    return replace(event, facts={**event.facts, **cause_groups.cause_facts(work.cause_groups, event.subject)})


def _watch_figures(work: Working) -> None:
    """Floods, chattering and standing alarms, from what was annunciated."""
    work.figures, said = figures.step(work.rules.plant.figures, work.figures, work.events, work.alarms, work.now_ms)
    work.events += said


def _count_exposure(work: Working) -> None:
    """Litres that pass while an interlock's cause stands and its output is not proven safe."""
    for id_, before in work.exposures.items():
        rule, state = work.rules.interlocks[id_], work.interlocks[id_]
        after, ended = exposure.step(
            before,
            voted=any(cause.total_since_ms is not None for cause in state.causes),
            tripped=state.tripped,
            closed=_closed(work, rule),
            flow_m3_h=_number(work, rule.exposure_flow),
            elapsed_ms=work.elapsed_ms,
            now_ms=work.now_ms,
        )
        work.exposures[id_] = after
        if ended:
            work.events.append(_exposed(rule, after, work.now_ms))


def _exposed(rule: InterlockRule, state: ExposureState, now_ms: int) -> Event:
    facts: dict[str, Fact] = {
        "passed_l": exposure.passed_litres(state, rule.exposure_volume_l),
        "past_the_tap_l": round(state.litres, 1),
        "held_back_l": rule.exposure_volume_l,
        "lasted_s": (now_ms - state.since_ms) / 1000,
        "flow_known": not state.blind,
    }
    return Event(kind=EventKind.EXPOSURE, subject=rule.id, facts=facts)


def _closed(work: Working, rule: InterlockRule) -> bool:
    """Proven safe by position, or the flow known to be stopped."""
    stop = work.rules.outputs.get(rule.exposure_stop)
    if stop is not None and work.outputs[stop.id].level == work.outputs[stop.id].confirmed == stop.safe_level:
        return True
    permits = [work.rules.outputs[effect.output] for effect in rule.effects]
    return all(reads(work.verdicts.get(one.proof_tag, AWAITED), one.proof_value) for one in permits)


# --- the result ---


def _next_state(work: Working) -> ScanState:
    return ScanState(
        tick=work.tick,
        scan=work.before.scan + 1,
        tags=work.tags,
        calculations=work.calculations,
        alarms=work.alarms,
        interlocks=work.interlocks,
        outputs=work.outputs,
        exposures=work.exposures,
        figures=work.figures,
        cause_groups=work.cause_groups,
        holds=work.holds,
        checked=work.checked,
        grab=work.grab,
        offer=work.offer,
        offers_made=work.offers_made,
        bypass_offer=work.bypass_offer,
        commissioned=work.commissioned,
    )


def _outcome(work: Working) -> Outcome:
    return Outcome(
        levels={id_: one.level for id_, one in work.outputs.items()},
        events=tuple(work.events),
        answers=tuple(work.answers),
        hurried=frozenset(_unproven_positions(work)),
        verdicts=work.verdicts,
        writes=not work.observing,
    )


def _unproven_positions(work: Working) -> list[str]:
    """Positions worth asking for fast: of outputs that are commanded safe and not proven yet."""
    if work.observing:
        return []
    return [
        rule.proof_tag
        for rule in work.rules.plant.outputs
        if rule.proof_tag
        and work.outputs[rule.id].safe_since_ms is not None
        and not reads(work.verdicts.get(rule.proof_tag, AWAITED), rule.proof_value)
    ]
