"""The working copies of one scan. Made by ``scan``, used by its steps, and seen by nobody else."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from gateway.core import calculation, days, hold
from gateway.core.calculation import CalculationRule, CalculationState
from gateway.core.condition import View
from gateway.core.evidence import evidence
from gateway.core.interlock import InterlockState
from gateway.core.outcome import Event, Fact
from gateway.core.output import FOREIGN, OutputState
from gateway.core.permissive import Situation
from gateway.core.quality import Reason
from gateway.core.request import Answer
from gateway.core.sample import NoNumber
from gateway.core.state import Rules, ScanState
from gateway.core.tick import Tick
from gateway.core.validity import AWAITED, Held, TagState, Verdict, governors_of, judge


class Rates(Mapping[str, float | None]):
    """Change per minute of every tag, read off the tag states when it is asked for."""

    def __init__(self, tags: Mapping[str, TagState]) -> None:
        self._tags = tags

    def __getitem__(self, tag: str) -> float | None:
        return self._tags[tag].rate_per_min

    def __iter__(self) -> Iterator[str]:
        return iter(self._tags)

    def __len__(self) -> int:
        return len(self._tags)


class Working:
    """Copies of the state, which the steps of one scan change one after the other."""

    def __init__(self, rules: Rules, before: ScanState, tick: Tick) -> None:
        self.rules = rules
        self.before = before
        self.tick = tick
        self.now_ms = tick.monotonic_ms
        self.elapsed_ms = tick.monotonic_ms - before.tick.monotonic_ms
        self.day = days.day_at(rules.plant.offsets, tick.utc_ms)
        self.tags = dict(before.tags)
        self.calculations = dict(before.calculations)
        self.alarms = dict(before.alarms)
        self.interlocks = dict(before.interlocks)
        self.outputs = dict(before.outputs)
        self.exposures = dict(before.exposures)
        self.figures = before.figures
        self.cause_groups = before.cause_groups
        self.holds = before.holds
        self.checked = before.checked
        self.grab = before.grab
        self.offer = before.offer
        self.offers_made = before.offers_made
        self.bypass_offer = before.bypass_offer
        self.commissioned = before.commissioned
        self.events: list[Event] = []
        self.answers: list[Answer] = []
        self.verdicts: dict[str, Verdict] = {}

    @property
    def observing(self) -> bool:
        """Nothing is written: what the outputs stand at is decided, and commanded to nobody."""
        return self.commissioned is None

    def peek(self, tag: str) -> Verdict:
        """A tag's verdict as it would be judged now; nothing is remembered of it."""
        if tag in self.rules.calculations:
            return self._peek_calculated(self.rules.calculations[tag])
        rule = self.rules.tags.get(tag)
        if rule is None:
            return AWAITED
        if self.holds and tag in self.held_verdicts():
            return self.held_verdicts()[tag]
        governors = {governor: self.peek(governor) for governor in governors_of(rule)}
        return judge(rule, self.tags[tag], governors, self.tick, beside=self.tags)[1]

    def held_verdicts(self) -> Mapping[str, Verdict]:
        """What the tags are worth that a person holds."""
        return hold.verdicts_of(self.rules.plant.holds, self.holds, self.rules.stopping, self.now_ms)

    def _peek_calculated(self, rule: CalculationRule) -> Verdict:
        return self.calculate(rule, {tag: self.peek(tag) for tag in rule.inputs})[1]

    def calculate(self, rule: CalculationRule, verdicts: Mapping[str, Verdict]) -> tuple[CalculationState, Verdict]:
        """What a calculated tag is worth with these inputs, and what would be remembered of it."""
        state = self.calculations.get(rule.about.tag) or calculation.fresh_calculation(rule)
        return calculation.step(rule, state, verdicts, self.day, self.elapsed_ms)

    def view(self) -> View:
        """What conditions can look at, as it stands in the middle of the scan."""
        aside = [
            one for one in self.interlocks.values() if one.bypassed_until_ms is not None or one.expired_ms is not None
        ]
        return View(
            now_ms=self.now_ms,
            verdicts=self.verdicts,
            rates=Rates(self.tags),
            safe_since_ms={id_: one.safe_since_ms for id_, one in self._commanded()},
            standing=frozenset(
                id_ for id_, one in self.interlocks.items() if _standing(one) and not self.rules.interlocks[id_].shadow
            ),
            unconfirmed=frozenset(id_ for id_, one in self._commanded() if one.confirmed != one.level),
            written_over=frozenset(id_ for id_, one in self.outputs.items() if FOREIGN in one.latches),
            bypass_ends_ms=min(_known(one.bypassed_until_ms for one in aside), default=None),
            bypass_expired_ms=max(_known(one.expired_ms for one in aside), default=None),
            hold_ends_ms=min((one.until_ms for one in self.holds.values() if one.ended_ms is None), default=None),
            elapsed_ms=self.elapsed_ms,
        )

    def put_aside(self) -> dict[str, Fact]:
        """Every bypass and hold that stands, with its owner and its end, for each line that somebody is called by."""
        told = [
            f"{id_} bypassed by {one.bypassed_by} for {_minutes(one.bypassed_until_ms - self.now_ms)} more"
            for id_, one in self.interlocks.items()
            if one.bypassed_until_ms is not None
        ]
        told += [
            f"{subject} held by {one.person}, planned for {_minutes(one.until_ms - self.now_ms)} more"
            for subject, one in self.holds.items()
            if one.ended_ms is None
        ]
        return {"put_aside": "; ".join(told)} if told else {}

    def _commanded(self) -> Iterable[tuple[str, OutputState]]:
        """The outputs, unless nothing is commanded: then nothing has to be proven or to read back."""
        return () if self.observing else self.outputs.items()

    def situation(self) -> Situation:
        """For a tick list in the middle of the arrivals: verdicts as they would be judged now."""
        self.verdicts = {tag: self.peek(tag) for tag in self.rules.tags}
        return Situation(
            view=self.view(),
            interlocks=self.rules.interlocks,
            interlock_states=self.interlocks,
            outputs=self.outputs,
            output_rules=self.rules.outputs,
            grab=self.grab,
            held=tuple(tag for tag in self._critical_tags() if _held(self.verdicts[tag])),
            announced=tuple(subject for subject, one in self.holds.items() if one.ended_ms is None),
        )

    def _critical_tags(self) -> list[str]:
        return list(dict.fromkeys(tag for tags in self.rules.critical.values() for tag in tags if tag in self.tags))

    def trip_facts(self, id_: str, view: View) -> dict[str, Fact]:
        """Evidence of the first input that voted for a trip, and the delay that ran out."""
        rule, state = self.rules.interlocks[id_], self.interlocks[id_]
        cause = rule.causes[state.tripped_by]
        votes = state.causes[state.tripped_by].votes
        voted = next((one for one, vote in zip(cause.inputs, votes, strict=True) if vote), cause.inputs[0])
        by_bad = state.cause_key == "bad_input" and cause.bad_trip_delay_ms is not None
        delay_ms = cause.bad_trip_delay_ms if by_bad and cause.bad_trip_delay_ms is not None else cause.trip_delay_ms
        facts = evidence(voted, view, self.rules.tags)
        return {**facts, "interlock": id_, "trip_delay_s": delay_ms / 1000}


def demands_on(
    rules: Rules, interlocks: Mapping[str, InterlockState], output_id: str, latches: Sequence[str]
) -> list[tuple[str, str]]:
    """Interlocks that hold an output now, with the level each demands.

    A latched one holds what it has latched: an output that was released holds
    no more, even while the interlock still waits for the release of another.

    Args:
        rules: of the site.
        interlocks: their states.
        output_id: the output.
        latches: of that output.
    """
    return [
        (name, effect.level)
        for name, effect in rules.effects[output_id]
        if interlocks[name].tripped and (name in latches or not rules.interlocks[name].latched)
    ]


def held_demands(rules: Rules, verdicts: Mapping[str, Verdict], output_id: str) -> list[tuple[str, str]]:
    """A permission is withdrawn while a critical input of it is held, named by the inputs, with its safe level."""
    rule = rules.outputs[output_id]
    if not rule.permit:
        return []
    held = [tag for tag in rules.critical[output_id] if isinstance(verdicts.get(tag), Held)]
    read = [tag for tag in held if tag not in rules.calculations]
    return [(f"{tag} held", rule.safe_level) for tag in read or held]


def _known(stamps: Iterable[int | None]) -> Iterator[int]:
    return (one for one in stamps if one is not None)


def _minutes(lasting_ms: int) -> str:
    return f"{max(0, lasting_ms) // 60_000} min"


def _standing(state: InterlockState) -> bool:
    return (state.tripped and state.cause_present) or state.would_logged


def _held(verdict: Verdict) -> bool:
    return isinstance(verdict, Held) or (isinstance(verdict, NoNumber) and verdict.reason is Reason.HOLD)


def situation_of(rules: Rules, state: ScanState) -> Situation:
    """For a tick list outside a scan, on what the last scan believed."""
    work = Working(rules, state, state.tick)
    return work.situation()
