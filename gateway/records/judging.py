"""Stored readings judged again as the decisions judge them: by the same rules, sample flow, holds and jumps included.

The record keeps what was read; what it was worth follows from the tags that
vouch for it. A reading is judged at its arrival, where the running gateway
judges at the scan after it (at most one scan later). Where all is calm
(``calm``), a tag's readings of a chunk are taken as they are, at once; else one
scan after the other. Pure.
"""

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from gateway.core.calculation import CalculationRule
from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample, Text
from gateway.core.state import Rules
from gateway.core.tick import Tick
from gateway.core.validity import TagRule, TagState, Verdict, accept, fresh_tag, governors_of, judge, reads
from gateway.records import calm
from gateway.records.series import Series, State, state_of

_AS_READ = (Quality.GOOD, Reason.OK)


class Stretch(calm.Stretch, Protocol):
    """Readings of one tag, in the order of their numbers."""

    @property
    def places(self) -> Sequence[int]: ...
    @property
    def sort(self) -> Sequence[int]: ...


class Chunk(Protocol):
    """What is used of a chunk of the record."""

    @property
    def sorts(self) -> Sequence[tuple[Quality, Reason] | NoNumber | Text]: ...
    @property
    def in_order(self) -> bool: ...
    @property
    def stretches(self) -> Mapping[str, Stretch]: ...


@dataclass(frozen=True, slots=True)
class _Part:
    """Readings of one tag in the scans of a chunk but its last, whose others may be in the next chunk."""

    in_scan: Sequence[int]
    monotonic_ms: Sequence[int]
    utc_ms: Sequence[int]
    source_utc_ms: Sequence[int]
    sort: Sequence[int]
    values: Sequence[float]


_NOTHING = _Part((), (), (), (), (), ())


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
        self._families = _families(self._rules)
        judged = {rule.tag for rule in self._rules}
        self._plain = {tag for tag in self.series if tag not in judged and (tag in by_tag or tag in calculated)}
        self._judged = judged
        self._run = 0
        self._states: dict[str, TagState] = {}
        self._verdicts: dict[str, Verdict] = {}
        self._scan = 0
        self._waiting: list[Sample] = []

    @property
    def tags(self) -> frozenset[str]:
        """All tags that a chunk has to bring: those whose series are wanted, and those that have a say in them."""
        return frozenset(self._plain | self._judged)

    def take(self, run: int, chunk: Chunk) -> None:
        """Take in a chunk of a run."""
        if run != self._run:
            self.finish()
            self._run, self._states, self._verdicts = run, {}, {}
        for tag in self._plain & chunk.stretches.keys():
            self._take_plain(self.series[tag], chunk, chunk.stretches[tag])
        stretches = {tag: one for tag, one in chunk.stretches.items() if tag in self._judged}
        if stretches:
            self._take_judged(chunk, stretches)

    def finish(self) -> None:
        """Judge what still waits, at the end of a run or of the period."""
        self._judge(self._rules)

    def _take_plain(self, series: Series, chunk: Chunk, stretch: Stretch) -> None:
        if all(sort == _AS_READ for sort in chunk.sorts):
            series.extend(stretch.utc_ms, stretch.values)
            return
        for utc_ms, sort, value in zip(stretch.utc_ms, stretch.sort, stretch.values, strict=True):
            reading = _reading(chunk, sort, value)
            if not isinstance(reading, Text):
                series.add(utc_ms, *state_of(reading))

    def _take_judged(self, chunk: Chunk, stretches: Mapping[str, Stretch]) -> None:
        first = min(one.in_scan[0] for one in stretches.values())
        last = max(one.in_scan[-1] for one in stretches.values())
        if self._scan != first:
            self._judge(self._rules)
        loud = self._rules
        if chunk.in_order and first < last and not self._waiting:
            parts = {tag: _before(last, one) for tag, one in stretches.items()}
            end_ms = max(one.monotonic_ms[-1] for one in parts.values() if one.monotonic_ms)
            loud = [
                rule for family in self._families if not self._calm(chunk, family, parts, end_ms) for rule in family
            ]
        for scan, sample in _samples(chunk, stretches, last if loud == [] else None):
            if scan != self._scan:
                self._judge(loud)
                self._scan = scan
            self._waiting.append(sample)

    def _calm(self, chunk: Chunk, family: Sequence[TagRule], parts: Mapping[str, _Part], end_ms: int) -> bool:
        """Whether a family's readings could be taken as they are, which has then been done."""
        after: dict[str, TagState] = {}
        reaches: dict[str, calm.Reach] = {}
        for rule in family:
            state, part = self._states.get(rule.tag), parts.get(rule.tag, _NOTHING)
            good = all(chunk.sorts[place] == _AS_READ for place in set(part.sort))
            reach = calm.reach_of(state, part.values) if state is not None and good else None
            if reach is None or state is None or self._verdicts[rule.tag] != state.reading:
                return False
            reaches[rule.tag] = reach
        for rule in family:
            state = calm.calm_after(rule, self._states[rule.tag], parts.get(rule.tag, _NOTHING), reaches, end_ms)
            if state is None:
                return False
            after[rule.tag] = state
        for tag, state in after.items():
            self._states[tag], self._verdicts[tag] = state, state.reading
            if tag in self.series and tag in parts:
                self.series[tag].extend(parts[tag].utc_ms, parts[tag].values)
        return True

    def _judge(self, rules: Sequence[TagRule]) -> None:
        if not self._waiting:
            return
        now = max((sample.arrived for sample in self._waiting), key=lambda tick: tick.monotonic_ms)
        arrived = {sample.tag: sample for sample in self._waiting}
        self._waiting = []
        for rule in rules:
            self._judge_one(rule, arrived.get(rule.tag), now)

    def _judge_one(self, rule: TagRule, sample: Sample | None, now: Tick) -> None:
        tag = rule.tag
        state = self._states.get(tag) or fresh_tag(rule, now)
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
            return
        if sample is not None:
            own.add(sample.arrived.utc_ms, *state_of(verdict))
        elif verdict is not before and verdict != before:
            own.add(now.utc_ms, *state_of(verdict))


def _before(scan: int, stretch: Stretch) -> _Part:
    end = bisect_left(stretch.in_scan, scan)
    return _Part(
        stretch.in_scan[:end],
        stretch.monotonic_ms[:end],
        stretch.utc_ms[:end],
        stretch.source_utc_ms[:end],
        stretch.sort[:end],
        stretch.values[:end],
    )


def _samples(chunk: Chunk, stretches: Mapping[str, Stretch], scan: int | None) -> Iterator[tuple[int, Sample]]:
    """In the order of their numbers, each with the scan that saw it; of one scan only, where it is said."""
    begins = {tag: 0 if scan is None else bisect_left(one.in_scan, scan) for tag, one in stretches.items()}
    order = sorted(
        (one.places[i], i, tag) for tag, one in stretches.items() for i in range(begins[tag], len(one.places))
    )
    for _, i, tag in order:
        one = stretches[tag]
        tick = Tick(monotonic_ms=one.monotonic_ms[i], utc_ms=one.utc_ms[i])
        reading = _reading(chunk, one.sort[i], one.values[i])
        yield one.in_scan[i], Sample(tag=tag, reading=reading, arrived=tick, source_utc_ms=one.source_utc_ms[i])


def _reading(chunk: Chunk, sort: int, value: float) -> Reading:
    own = chunk.sorts[sort]
    return Number(value, *own) if isinstance(own, tuple) else own


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


def _families(rules: Sequence[TagRule]) -> list[list[TagRule]]:
    """Rules that have to do with one another, each family in the order of judging."""
    kin = {rule.tag: {rule.tag} for rule in rules}
    for rule in rules:
        for tag in (*governors_of(rule), *(partner.tag for partner in rule.partners)):
            if tag in kin and kin[tag] is not kin[rule.tag]:
                kin[rule.tag] |= kin[tag]
                kin.update(dict.fromkeys(kin[tag], kin[rule.tag]))
    return [[rule for rule in rules if rule.tag in own] for own in {id(own): own for own in kin.values()}.values()]


def _has_a_say(rule: TagRule, governs: bool) -> bool:  # noqa: FBT001 - two of a kind
    vouched = bool(governors_of(rule)) or rule.spike is not None or bool(rule.partners)
    return governs or vouched or rule.frozen_after_ms is not None


__all__ = ["Judging", "State"]
