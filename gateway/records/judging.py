"""Stored readings judged again as the decisions judge them: by the same rules, sample flow, holds and jumps included.

The record keeps what was read; what it was worth follows from the tags that
vouch for it. A reading is judged at its arrival, where the running gateway
judges at the scan after it (at most one scan later). Pure.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

from gateway.core.calculation import CalculationRule
from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample, Text
from gateway.core.state import Rules
from gateway.core.tick import Tick
from gateway.core.validity import TagRule, TagState, Verdict, accept, fresh_tag, governors_of, judge, reads
from gateway.records.series import Series, State, state_of


class Columns(Protocol):
    """What is used of a chunk's columns."""

    @property
    def in_scan(self) -> Sequence[int]: ...
    @property
    def monotonic_ms(self) -> Sequence[int]: ...
    @property
    def utc_ms(self) -> Sequence[int]: ...
    @property
    def source_utc_ms(self) -> Sequence[int]: ...
    @property
    def tags(self) -> Sequence[str]: ...
    @property
    def sorts(self) -> Sequence[tuple[Quality, Reason] | NoNumber | Text]: ...
    @property
    def sort(self) -> Sequence[int]: ...
    @property
    def values(self) -> Sequence[float]: ...


class Judging:
    """Makes the series of some tags out of chunks of the record.

    Args:
        rules: of the site.
        tags: whose series are wanted; names that the site does not have get an empty one.
    """

    def __init__(self, rules: Rules, tags: Iterable[str]) -> None:
        self.series = {tag: Series() for tag in dict.fromkeys(tags)}
        ordered = [rule for rule in rules.judged if isinstance(rule, TagRule)]
        calculated = {rule.about.tag for rule in rules.judged if isinstance(rule, CalculationRule)}
        by_tag = {rule.tag: rule for rule in ordered}
        needed = _with_governors([tag for tag in self.series if tag in by_tag], by_tag)
        self._rules = [rule for rule in ordered if rule.tag in needed and _has_a_say(rule, needed[rule.tag])]
        self._judged = {rule.tag: rule for rule in self._rules}
        self._plain = {tag for tag in self.series if tag not in self._judged and (tag in by_tag or tag in calculated)}
        self._run = 0
        self._states: dict[str, TagState] = {}
        self._verdicts: dict[str, Verdict] = {}
        self._scan = 0
        self._waiting: list[Sample] = []

    def take(self, run: int, columns: Columns) -> None:
        """Take in a chunk of a run."""
        if run != self._run:
            self.finish()
            self._run, self._states, self._verdicts = run, {}, {}
        plain, judged, sorts = self._plain, self._judged, columns.sorts
        for i, tag in enumerate(columns.tags):
            if tag in plain:
                sort = sorts[columns.sort[i]]
                if isinstance(sort, Text):
                    continue
                state, value = state_of(Number(columns.values[i], *sort) if isinstance(sort, tuple) else sort)
                self.series[tag].add(columns.utc_ms[i], state, value)
            elif tag in judged:
                self._arrived(columns, i, tag)

    def finish(self) -> None:
        """Judge what still waits, at the end of a run or of the period."""
        self._judge()

    def _arrived(self, columns: Columns, i: int, tag: str) -> None:
        if columns.in_scan[i] != self._scan:
            self._judge()
            self._scan = columns.in_scan[i]
        sort = columns.sorts[columns.sort[i]]
        reading: Reading = Number(columns.values[i], *sort) if isinstance(sort, tuple) else sort
        tick = Tick(monotonic_ms=columns.monotonic_ms[i], utc_ms=columns.utc_ms[i])
        self._waiting.append(Sample(tag=tag, reading=reading, arrived=tick, source_utc_ms=columns.source_utc_ms[i]))

    def _judge(self) -> None:
        if not self._waiting:
            return
        now = max((sample.arrived for sample in self._waiting), key=lambda tick: tick.monotonic_ms)
        arrived = {sample.tag: sample for sample in self._waiting}
        self._waiting = []
        for rule in self._rules:
            tag = rule.tag
            state = self._states.get(tag) or fresh_tag(rule, now)
            sample = arrived.get(tag)
            if sample is not None:
                held = rule.hold_when is not None and reads(
                    self._verdicts.get(rule.hold_when.tag, NoNumber(Reason.AWAITED)), 1.0
                )
                state = accept(rule, state, sample, now=now, holding=held)
            before = self._verdicts.get(tag)
            self._states[tag], verdict = judge(rule, state, self._verdicts, now, beside=self._states)
            self._verdicts[tag] = verdict
            own = self.series.get(tag)
            if own is None or isinstance(verdict, Text) or not state.delivered:
                continue
            if sample is not None:
                own.add(sample.arrived.utc_ms, *state_of(verdict))
            elif verdict is not before and verdict != before:
                own.add(now.utc_ms, *state_of(verdict))


def _with_governors(wanted: Sequence[str], by_tag: Mapping[str, TagRule]) -> dict[str, bool]:
    """Wanted tags and all that have a say in what they are worth; each with whether another depends on it."""
    needed = dict.fromkeys(wanted, False)
    waiting = list(wanted)
    while waiting:
        rule = by_tag[waiting.pop()]
        for tag in (*governors_of(rule), *(partner.tag for partner in rule.partners)):
            if tag in by_tag:
                if tag not in needed:
                    waiting.append(tag)
                needed[tag] = True
    return needed


def _has_a_say(rule: TagRule, governs: bool) -> bool:  # noqa: FBT001 - two of a kind
    vouched = bool(governors_of(rule)) or rule.spike is not None or bool(rule.partners)
    return governs or vouched or rule.frozen_after_ms is not None


__all__ = ["Judging", "State"]
