"""What must hold before an output is given back: a tick list, granted whole or refused by name."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from gateway.core.condition import NOTHING, Answer, Condition, View, ask
from gateway.core.interlock import InterlockRule, InterlockState, clear_for_ms
from gateway.core.motor import wait_ms
from gateway.core.output import OWN_LATCHES, OutputRule, OutputState, motor_of
from gateway.core.request import Item, Origin, Request
from gateway.core.sample import Number

_MS_PER_MIN = 60_000
_MS_PER_HOUR = 3_600_000
_STOOD_STILL = "stood still for long enough, and not started too often"


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A figure a grab sample must show: at least, or at most, so much."""

    name: str  # such as turbidity_ntu
    service: str = ""
    at_most: float | None = None
    at_least: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """A condition of the plant that must hold, with its words for the tick list."""

    text: str
    condition: Condition


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseRule:
    """What the release of one output needs.

    Args:
        output: the output given back.
        clear_ms: causes of every latched interlock (but the exempt ones) gone for this long.
        exempt: interlocks that do not stand in the way.
        flush_tag: flow tag, m3/h, integrated since the trip; empty when there is none.
        flush_m3: so much flushed replaces a grab sample.
        no_sample_after: interlocks after which no grab sample replaces the flushing.
        grab: what a grab sample taken since the trip must show; empty asks for none.
        requirements: conditions that must hold, such as the valve proven at divert.
        roles: who may.
        remote_allowed: whether it may be done from afar at all.
        local_only_after: interlocks after which it may not.
        after_outputs: outputs that must be released before this one.
    """

    output: str
    clear_ms: int = 0
    exempt: frozenset[str] = field(default_factory=frozenset)
    flush_tag: str = ""
    flush_m3: float = 0.0
    no_sample_after: frozenset[str] = field(default_factory=frozenset)
    grab: tuple[Quantity, ...] = ()
    requirements: tuple[Requirement, ...] = ()
    roles: frozenset[str] = field(default_factory=frozenset)
    remote_allowed: bool = False
    local_only_after: frozenset[str] = field(default_factory=frozenset)
    after_outputs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Grab:
    """The newest grab sample: when it was entered (monotonic), what it showed, by whom."""

    taken_ms: int
    measured: Mapping[str, float]
    person: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """Everything a tick list looks at.

    Args:
        view: verdicts and the like.
        interlocks: rules by id.
        interlock_states: states by id.
        outputs: states by id.
        output_rules: rules by id.
        grab: newest grab sample, None before the first.
        held: critical tags that are held now.
        announced: what people hold, by the name they gave.
    """

    view: View
    interlocks: Mapping[str, InterlockRule]
    interlock_states: Mapping[str, InterlockState]
    outputs: Mapping[str, OutputState]
    output_rules: Mapping[str, OutputRule]
    grab: Grab | None
    held: tuple[str, ...] = ()
    announced: tuple[str, ...] = ()


def tick_list(rule: ReleaseRule, situation: Situation) -> tuple[Item, ...]:
    """Every condition of a release, satisfied or not."""
    return tuple(
        item
        for part in (_causes, _proof_of_water, _requirements, _may_start, _nothing_put_aside, _order)
        for item in part(rule, situation)
    )


def _causes(rule: ReleaseRule, situation: Situation) -> Iterator[Item]:
    now_ms = situation.view.now_ms
    for id_, state in situation.interlock_states.items():
        interlock = situation.interlocks[id_]
        if state.tripped and interlock.latched and id_ not in rule.exempt:
            gone_ms = None if state.clear_since_ms is None else clear_for_ms(state, now_ms)
            yield _lasting(f"{id_} {interlock.service}: cause gone", gone_ms, rule.clear_ms)
    output = situation.outputs[rule.output]
    if OWN_LATCHES & set(output.latches):
        good_ms = None if output.good_since_ms is None else now_ms - output.good_since_ms
        yield _lasting("every critical reading good and no cause standing", good_ms, rule.clear_ms)


def _lasting(text: str, lasted_ms: int | None, needed_ms: int) -> Item:
    """What must have been so for a time; None is not so now, or not known since the start, whatever the time."""
    so_far_ms = 0 if lasted_ms is None else lasted_ms
    return Item(
        text=f"{text} for {needed_ms // _MS_PER_MIN} min" if needed_ms else text,
        satisfied=lasted_ms is not None and lasted_ms >= needed_ms,
        detail="not so now" if lasted_ms is None else f"so far {so_far_ms // _MS_PER_MIN} min",
        wait_ms=0 if lasted_ms is None else max(0, needed_ms - so_far_ms),
    )


def _proof_of_water(rule: ReleaseRule, situation: Situation) -> Iterator[Item]:
    """Flushed volume or a grab sample, whichever the rule knows; one is enough, unless it is not by what tripped."""
    output = situation.outputs[rule.output]
    on_its_way = [name for name in output.latches if name in rule.no_sample_after]
    flushed = rule.flush_tag and output.flushed_m3 >= rule.flush_m3
    if on_its_way or not rule.grab:
        because = f" ({', '.join(on_its_way)}: a sample does not show the water still on its way)" if on_its_way else ""
        if rule.flush_tag:
            detail = f"{output.flushed_m3:.2f} m3 so far"
            left_ms = _flush_wait_ms(rule, output, situation.view)
            yield Item(text=_flush_text(rule) + because, satisfied=bool(flushed), detail=detail, wait_ms=left_ms)
        return
    satisfied, detail = _grab(rule, situation.grab, output.latched_ms)
    text = "grab sample since the trip or start: " + ", ".join(_wants(one) for one in rule.grab)
    if rule.flush_tag:
        text = f"{_flush_text(rule)}, or {text}"
        detail = f"{output.flushed_m3:.2f} m3 so far; {detail}"
    left_ms = 0 if satisfied or not rule.flush_tag else _flush_wait_ms(rule, output, situation.view)
    yield Item(text=text, satisfied=bool(flushed) or satisfied, detail=detail, wait_ms=left_ms)


def _flush_wait_ms(rule: ReleaseRule, output: OutputState, view: View) -> int:
    """How long the rest of the flushing takes at the flow of now; 0 when it is done, or when nothing flows."""
    flow = view.verdict(rule.flush_tag)
    if not isinstance(flow, Number) or flow.value <= 0:
        return 0
    return max(0, round((rule.flush_m3 - output.flushed_m3) / flow.value * _MS_PER_HOUR))


def _flush_text(rule: ReleaseRule) -> str:
    return f"at least {rule.flush_m3:g} m3 diverted since the trip"


def _wants(quantity: Quantity) -> str:
    name = quantity.service or quantity.name
    if quantity.at_most is not None:
        return f"{name} at most {quantity.at_most:g}"
    return f"{name} at least {quantity.at_least:g}" if quantity.at_least is not None else name


def _grab(rule: ReleaseRule, grab: Grab | None, latched_ms: int) -> tuple[bool, str]:
    if grab is None or grab.taken_ms <= latched_ms:  # entered in the scan of the trip: taken before it
        return False, "none entered yet"
    missing = [one.name for one in rule.grab if one.name not in grab.measured]
    if missing:
        return False, f"the sample does not say {', '.join(missing)}"
    detail = ", ".join(f"{one.service or one.name} {grab.measured[one.name]:g}" for one in rule.grab)
    return all(_within(one, grab.measured[one.name]) for one in rule.grab), detail


def _within(quantity: Quantity, value: float) -> bool:
    low_enough = quantity.at_most is None or value <= quantity.at_most
    return low_enough and (quantity.at_least is None or value >= quantity.at_least)


def _requirements(rule: ReleaseRule, situation: Situation) -> Iterator[Item]:
    for requirement in rule.requirements:
        answer = ask(requirement.condition, NOTHING, situation.view).answer
        yield Item(text=requirement.text, satisfied=answer is Answer.IN, detail="" if answer is Answer.IN else "not so")


def _may_start(rule: ReleaseRule, situation: Situation) -> Iterator[Item]:
    output = situation.output_rules[rule.output]
    if output.motor is not None:
        state = motor_of(output, situation.outputs[rule.output])
        left_ms = wait_ms(output.motor, state, situation.view.now_ms)
        yield Item(text=_STOOD_STILL, satisfied=not left_ms, wait_ms=left_ms)


def _nothing_put_aside(_rule: ReleaseRule, situation: Situation) -> Iterator[Item]:
    bypassed = [id_ for id_, state in situation.interlock_states.items() if state.bypassed_until_ms is not None]
    yield Item(text="no interlock bypassed", satisfied=not bypassed, detail=", ".join(bypassed))
    held = dict.fromkeys((*situation.announced, *situation.held))
    yield Item(text="no instrument held", satisfied=not held, detail=", ".join(held))


def _order(rule: ReleaseRule, situation: Situation) -> Iterator[Item]:
    for output in rule.after_outputs:
        released = not situation.outputs[output].latches
        yield Item(text=f"{output} released first", satisfied=released, detail="" if released else "not yet")


def return_list(output_id: str, demanding: Iterable[str], situation: Situation) -> tuple[Item, ...]:
    """What an output that no latch holds comes back by, without anybody: empty while a latch holds it.

    Args:
        output_id: the output.
        demanding: interlocks that hold it now.
        situation: everything looked at.
    """
    rule, state = situation.output_rules[output_id], situation.outputs[output_id]
    if state.latches:
        return ()
    return (*_restored(demanding, situation), *_after_a_start(rule, state, situation))


def _restored(demanding: Iterable[str], situation: Situation) -> Iterator[Item]:
    now_ms = situation.view.now_ms
    for name in demanding:
        rule, state = situation.interlocks.get(name), situation.interlock_states.get(name)
        if rule is None or state is None:
            yield Item(text=f"not {name}", satisfied=False)  # an input that is held
            continue
        since_ms = state.restore_since_ms
        gone_ms = None if since_ms is None else now_ms - since_ms
        yield _lasting(f"{name} {rule.service}: cause gone", gone_ms, rule.restore_delay_ms)


def _after_a_start(rule: OutputRule, state: OutputState, situation: Situation) -> Iterator[Item]:
    if rule.permit and state.baseline_awaited:
        yield Item(text="the controller read once", satisfied=False)
    if rule.permit and state.proving:
        good_ms = None if state.good_since_ms is None else situation.view.now_ms - state.good_since_ms
        text = "every critical reading good and no cause standing"
        yield _lasting(text, good_ms, rule.return_after_ms)
    if rule.motor is not None and state.start_refused:
        left_ms = wait_ms(rule.motor, motor_of(rule, state), situation.view.now_ms)
        yield Item(text=_STOOD_STILL, satisfied=False, wait_ms=left_ms)


def not_allowed(rule: ReleaseRule, request: Request, situation: Situation) -> str:
    """Why this person may not release this output from there; empty when they may."""
    if request.role not in rule.roles:
        return "role"
    if request.origin is Origin.LOCAL:
        return ""
    barred = any(
        situation.interlock_states[id_].tripped for id_ in rule.local_only_after if id_ in situation.interlock_states
    )
    return "on_site_only" if barred or situation.announced or not rule.remote_allowed else ""
