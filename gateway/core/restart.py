"""What survives a restart, and what does not.

Alarm states, acknowledgements, latches, shelves, trips, running delays and the
holds of instruments survive; bypasses do not. Durations across the gap use the wall clock, taken as
no time at all when it went back meanwhile; the age of a sample counts running
time only, so that a crash loop cannot keep a dead tag alive.
"""

from collections.abc import Mapping
from dataclasses import replace

from gateway.core import (
    alarm,
    calculation,
    cause_groups,
    commissioning,
    exposure,
    figures,
    hold,
    interlock,
    output,
    validity,
)
from gateway.core.outcome import Event
from gateway.core.state import Rules, ScanState, first_state
from gateway.core.tick import Tick


def resume(rules: Rules, saved: ScanState, now: Tick, *, same_boot: bool) -> tuple[ScanState, list[Event]]:
    """The state to go on with.

    What the rules name and the saved state does not starts fresh; what the
    saved state names and the rules do not is dropped.

    Args:
        rules: of the configuration that runs now.
        saved: the last state saved; its tick is when.
        now: this start.
        same_boot: whether monotonic time has run on since; else only the wall clock bridges the gap.
    """
    state, events = first_state(rules, now)
    events = [event for event in events if event.subject not in saved.outputs]
    gap = _Gap(saved.tick, now, same_boot=same_boot)
    commissioned, lapsed = commissioning.after_restart(rules.plant.commissioning, saved.commissioned)
    interlocks, said = _interlocks(rules, state, saved, gap)
    outputs, told = _outputs(rules, state, saved, gap, writes=commissioned is not None)
    _latch_outputs(rules, interlocks, outputs, saved, now.monotonic_ms)
    return replace(
        state,
        scan=saved.scan,
        tags={tag: gap.tag(rules, saved, tag, fresh) for tag, fresh in state.tags.items()},
        calculations={
            tag: calculation.after_restart(rules.calculations[tag], saved.calculations.get(tag, fresh), gap.away_ms)
            for tag, fresh in state.calculations.items()
        },
        alarms={
            id_: alarm.after_restart(saved.alarms[id_], gap.shift_ms) if id_ in saved.alarms else fresh
            for id_, fresh in state.alarms.items()
        },
        interlocks=interlocks,
        outputs=outputs,
        exposures={
            id_: exposure.after_restart(saved.exposures.get(id_, fresh), gap.shift_ms)
            for id_, fresh in state.exposures.items()
        },
        figures=figures.after_restart(saved.figures, state.alarms.keys(), gap.shift_ms),
        cause_groups=cause_groups.after_restart(rules.plant.cause_groups, saved.cause_groups, gap.shift_ms),
        holds=hold.after_restart(rules.plant.holds, saved.holds, shift_ms=gap.shift_ms, now_ms=now.monotonic_ms),
        grab=None if saved.grab is None else replace(saved.grab, taken_ms=saved.grab.taken_ms + gap.shift_ms),
        checked=saved.checked,
        offers_made=saved.offers_made,
        commissioned=commissioned,
    ), [*lapsed, *events, *said, *told]


def _interlocks(
    rules: Rules, fresh: ScanState, saved: ScanState, gap: "_Gap"
) -> tuple[dict[str, interlock.InterlockState], list[Event]]:
    states = dict(fresh.interlocks)
    events: list[Event] = []
    for rule in rules.plant.interlocks:
        before = saved.interlocks.get(rule.id)
        if before is not None and _fits(before, rule):
            states[rule.id], said = interlock.after_restart(
                rule, before, saved_ms=saved.tick.monotonic_ms, shift_ms=gap.shift_ms
            )
            events += said
    return states, events


def _outputs(
    rules: Rules, fresh: ScanState, saved: ScanState, gap: "_Gap", *, writes: bool
) -> tuple[dict[str, output.OutputState], list[Event]]:
    states = dict(fresh.outputs)
    events: list[Event] = []
    for rule in rules.plant.outputs:
        if rule.id in saved.outputs:
            states[rule.id], said = output.after_restart(
                rule,
                saved.outputs[rule.id],
                shift_ms=gap.shift_ms,
                barred=gap.bars(rule) if writes else "observe-only",
                now_ms=fresh.tick.monotonic_ms,
            )
            events += said
    return states, events


def _latch_outputs(
    rules: Rules,
    interlocks: Mapping[str, interlock.InterlockState],
    outputs: dict[str, output.OutputState],
    saved: ScanState,
    now_ms: int,
) -> None:
    """What came back latched holds its outputs; so does an old trip an output that was not there before."""
    for rule in rules.plant.interlocks:
        before = saved.interlocks.get(rule.id)
        was_tripped = before is not None and before.tripped
        for effect in rule.effects:
            new = not was_tripped or effect.output not in saved.outputs
            if rule.latched and interlocks[rule.id].tripped and new:
                outputs[effect.output] = output.latch(outputs[effect.output], rule.id, now_ms)


def _fits(state: interlock.InterlockState, rule: interlock.InterlockRule) -> bool:
    """Whether a saved state has the shape of the rule: a changed interlock starts fresh."""
    shape = [len(cause.votes) for cause in state.causes]
    return shape == [len(cause.inputs) for cause in rule.causes]


class _Gap:
    """The time between the save and now, on both clocks."""

    def __init__(self, saved: Tick, now: Tick, *, same_boot: bool) -> None:
        wall_ms = now.utc_ms - saved.utc_ms
        self.same_boot = same_boot
        self.wall_went_back = wall_ms < 0
        self.down_ms = now.monotonic_ms - saved.monotonic_ms
        self.away_ms = self.down_ms if same_boot else max(0, wall_ms)
        self.shift_ms = self.down_ms - max(0, wall_ms)

    def bars(self, rule: output.OutputRule) -> str:
        """Why an output may not return by itself after it; empty when it may."""
        return "" if self.same_boot and self.away_ms < rule.return_within_ms else "away too long"

    def tag(self, rules: Rules, saved: ScanState, tag: str, fresh: validity.TagState) -> validity.TagState:
        before = saved.tags.get(tag)
        if before is None or not validity.fits(rules.tags[tag], before):
            return fresh
        return validity.after_restart(
            before, down_ms=self.down_ms, shift_ms=self.shift_ms, wall_went_back=self.wall_went_back
        )
