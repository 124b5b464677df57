"""How the site stands, as messages of the local socket: made from what the last scan believed. Decides nothing."""

from collections.abc import Iterator, Mapping

from gateway.core import alarm, interlock
from gateway.core.alarm import AlarmRule, AlarmState
from gateway.core.cause_groups import cause_facts
from gateway.core.evidence import in_words
from gateway.core.interlock import InterlockRule, InterlockState
from gateway.core.outcome import Outcome
from gateway.core.output import OutputRule, OutputState, reasons
from gateway.core.permissive import return_list, tick_list
from gateway.core.quality import Quality, Reason
from gateway.core.request import Item
from gateway.core.sample import NoNumber, Number, Text
from gateway.core.state import Rules, ScanState
from gateway.core.suppression import Hiding, PutAside
from gateway.core.validity import AWAITED, Awaited, Held, TagRule, Verdict, reads
from gateway.core.working import demands_on, held_demands, situation_of
from gateway.field.image import InputImage
from gateway.local.messages import (
    AlarmStatus,
    HiddenStatus,
    HoldStatus,
    InterlockStatus,
    ListItem,
    OutputStatus,
    Status,
    TagValue,
)

_URGENCY = {"P1": 0, "P2": 1, "P3": 2}
_NOBODY = PutAside(person="", reason="")


def tag_value(tag: str, verdict: Verdict, image: InputImage, rule: TagRule | None = None) -> TagValue:
    """The newest value of a tag, as it is worth now; with its rule also what it means in words."""
    latest = image.latest(tag)
    stamp_ms, n = (0, 0) if latest is None else (latest.sample.arrived.utc_ms, latest.n)
    if isinstance(verdict, Number):
        return TagValue(
            tag=tag,
            quality=verdict.quality.value,
            value=verdict.value,
            reason=verdict.reason.value,
            utc_ms=stamp_ms,
            n=n,
            in_words="" if rule is None else in_words(rule, verdict),
        )
    if isinstance(verdict, Text):
        return TagValue(tag=tag, quality=Quality.GOOD.value, text=verdict.text, utc_ms=stamp_ms, n=n)
    return TagValue(tag=tag, quality=Quality.BAD.value, reason=_why(verdict), utc_ms=stamp_ms, n=n)


def _why(verdict: NoNumber | Held | Awaited) -> str:
    reason = Reason.HOLD if isinstance(verdict, Held) else Reason.AWAITED
    if isinstance(verdict, NoNumber):
        reason = verdict.reason
    return str(reason.value)


def status_of(rules: Rules, state: ScanState, outcome: Outcome, image: InputImage, notes: tuple[str, ...]) -> Status:
    """One snapshot of everything a person may ask about.

    Args:
        rules: of the site.
        state: after the last scan.
        outcome: of the last scan.
        image: for the stamps of the newest samples.
        notes: what else a person should know.
    """
    snapshot = _Snapshot(rules, state, outcome)
    return Status(
        id=0,
        utc_ms=state.tick.utc_ms,
        scan=state.scan,
        outputs=tuple(snapshot.output(rule) for rule in rules.plant.outputs),
        interlocks=tuple(snapshot.interlock(rule) for rule in rules.plant.interlocks),
        alarms=tuple(snapshot.alarms()),
        tags=tuple(tag_value(tag, verdict, image, rules.tags.get(tag)) for tag, verdict in outcome.verdicts.items()),
        held=tuple(tag for tag, verdict in outcome.verdicts.items() if _why_held(verdict)),
        holds=tuple(snapshot.holds()),
        notes=notes,
        observing=state.commissioned is None,
    )


def _why_held(verdict: Verdict) -> bool:
    return isinstance(verdict, Held) or (isinstance(verdict, NoNumber) and verdict.reason is Reason.HOLD)


class _Snapshot:
    """What the parts of a status are read from."""

    def __init__(self, rules: Rules, state: ScanState, outcome: Outcome) -> None:
        self._rules = rules
        self._state = state
        self._verdicts: Mapping[str, Verdict] = outcome.verdicts
        self._situation = situation_of(rules, state)

    def _utc(self, monotonic_ms: int) -> int:
        return self._state.tick.utc_ms - (self._state.tick.monotonic_ms - monotonic_ms)

    def output(self, rule: OutputRule) -> OutputStatus:
        state = self._state.outputs[rule.id]
        safe = state.level == rule.safe_level
        demands = demands_on(self._rules, self._state.interlocks, rule.id, state.latches)
        demands += held_demands(self._rules, self._verdicts, rule.id)
        at_proof = bool(rule.proof_tag) and reads(self._verdicts.get(rule.proof_tag, AWAITED), rule.proof_value)
        return OutputStatus(
            output=rule.id,
            service=rule.service,
            level=state.level,
            safe=safe,
            confirmed=state.confirmed == state.level,
            proven=safe and at_proof,
            reasons=reasons(rule, state, demands),
            since_utc_ms=self._utc(state.level_since_ms),
            release=self._release(rule, state),
            returns=tuple(
                _list_item(item) for item in return_list(rule.id, [name for name, _ in demands], self._situation)
            ),
        )

    def _release(self, rule: OutputRule, state: OutputState) -> tuple[ListItem, ...]:
        release = self._rules.releases.get(rule.id)
        if release is None or not state.latches:
            return ()
        return tuple(_list_item(item) for item in tick_list(release, self._situation))

    def interlock(self, rule: InterlockRule) -> InterlockStatus:
        state = self._state.interlocks[rule.id]
        until_ms = state.bypassed_until_ms
        return InterlockStatus(
            interlock=rule.id,
            service=rule.service,
            state=interlock.display(state).value,
            since_utc_ms=self._utc(state.tripped_ms) if state.tripped else 0,
            cause=_cause(state),
            bypassed_until_utc_ms=0 if until_ms is None else self._utc(until_ms),
            bypassed_by=state.bypassed_by if until_ms is not None else "",
            bypassed_because=state.bypassed_because,
            shadow=rule.shadow,
            would_trip=state.would_logged,
        )

    def holds(self) -> Iterator[HoldStatus]:
        for subject, one in self._state.holds.items():
            yield HoldStatus(
                subject=subject,
                tags=one.tags,
                held_by=one.person,
                because=one.reason,
                since_utc_ms=self._utc(one.since_ms),
                until_utc_ms=self._utc(one.until_ms),
                over=one.ended_ms is not None,
            )

    def alarms(self) -> Iterator[AlarmStatus]:
        """Everything but plain normal, in the order that matters: see ``_order``."""
        standing = [
            (rule, self._state.alarms[rule.id])
            for rule in self._rules.plant.alarms
            if alarm.display(self._state.alarms[rule.id]) is not alarm.State.NORM
        ]
        standing.sort(key=lambda one: _order(*one))
        yield from (self._alarm(rule, state) for rule, state in standing)

    def _alarm(self, rule: AlarmRule, state: AlarmState) -> AlarmStatus:
        return AlarmStatus(
            alarm=rule.id,
            state=alarm.display(state).value,
            priority=rule.priority.value,
            occurrence=state.occurrence,
            since_utc_ms=self._utc(state.activated_ms) if _stands(state) else 0,
            says=rule.text.says,
            action=rule.text.action,
            value=self._value(rule.value_tag),
            consequence=rule.text.consequence,
            seen_as=alarm.visible(state).value,
            respond_by_utc_ms=self._utc(_respond_by_ms(rule, state)) if state.active else 0,
            caused_by=str(cause_facts(self._state.cause_groups, rule.id).get("caused_by", "")),
            hidden=self._hidden(rule, state.hiding),
        )

    def _hidden(self, rule: AlarmRule, hiding: Hiding) -> HiddenStatus:
        shelved, taken = hiding.shelved or _NOBODY, hiding.taken or _NOBODY
        return HiddenStatus(
            suppressed_by=(alarm.suppressor(rule) or "an earlier configuration") if hiding.suppressed else "",
            shelved_until_utc_ms=0 if hiding.shelved_until_ms is None else self._utc(hiding.shelved_until_ms),
            shelved_by=shelved.person,
            shelved_because=shelved.reason,
            out_of_service=hiding.out_of_service,
            taken_by=taken.person,
            taken_because=taken.reason,
            interim_measure=taken.measure,
        )

    def _value(self, tag: str) -> str:
        verdict = self._verdicts.get(tag)
        if isinstance(verdict, Number):
            rule = self._rules.tags[tag]
            return in_words(rule, verdict) or f"{verdict.value:g} {rule.unit}".strip()
        return ""


def _respond_by_ms(rule: AlarmRule, state: AlarmState) -> int:
    return state.activated_ms + rule.text.respond_within_ms


def _order(rule: AlarmRule, state: AlarmState) -> tuple[bool, int, bool, int]:
    """What can be heard before what is hidden; the graver consequence; what is still there; the least time left."""
    return state.hiding.hidden, _URGENCY[rule.priority.value], not state.active, _respond_by_ms(rule, state)


def _stands(state: AlarmState) -> bool:
    """Whether it has a moment since when: a hidden alarm that never sounded has none."""
    return state.active or state.latched or not state.acked


def _cause(state: InterlockState) -> str:
    if not state.tripped:
        return ""
    return "unusable input" if state.cause_key == "bad_input" else "limit or state"


def _list_item(item: Item) -> ListItem:
    return ListItem(text=item.text, satisfied=item.satisfied, detail=item.detail, wait_s=item.wait_ms / 1000)
