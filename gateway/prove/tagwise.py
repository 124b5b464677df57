"""What must hold of one tag with everything that vouches for it: it has no number for longer than it may.

Takes the place of ``oracle`` in the slices of tags; says, from the rules of the tag alone, when there may be a number.
"""

from typing import NamedTuple

from gateway.core.plant import Plant
from gateway.core.quality import Quality
from gateway.core.sample import Number, Reading, Sample
from gateway.core.validity import Awaited, Held, TagRule, ValidWhen
from gateway.prove.oracle import Happened


class Vouched(NamedTuple):
    """Of one ``valid_when``: since when the other tag does not vouch, until when it must be purged."""

    low_since_ms: int | None = None
    spoiled: bool = False
    back_since_ms: int | None = None


class TagHistory(NamedTuple):
    """What is remembered of every tag, in the order of the plant's."""

    readings: tuple[Reading | None, ...]
    at_ms: tuple[int, ...]
    delivered: tuple[bool, ...]
    moved: tuple[tuple[float | None, int], ...]
    vouched: tuple[tuple[Vouched, ...], ...]
    away: tuple[bool, ...] = ()


class TagOracle:
    """Judges the verdicts of a slice of one tag.

    Args:
        plant: the tag and those that vouch for it, each behind its own.
    """

    def __init__(self, plant: Plant) -> None:
        self._rules = plant.tags
        self._place = {rule.tag: place for place, rule in enumerate(plant.tags)}

    def first(self, now_ms: int) -> TagHistory:
        """Nothing is known."""
        count = len(self._rules)
        return TagHistory(
            readings=(None,) * count,
            at_ms=(now_ms,) * count,
            delivered=(False,) * count,
            moved=((None, now_ms),) * count,
            vouched=tuple(tuple(Vouched() for _ in rule.valid_when) for rule in self._rules),
        )

    def restarted(self, before: TagHistory, *, saved_ms: int, now_ms: int, same_boot: bool) -> TagHistory:
        """Ages count running time; what was said before is awaited again."""
        del same_boot
        away_ms = now_ms - saved_ms
        return before._replace(
            at_ms=tuple(one + away_ms for one in before.at_ms),
            moved=tuple((value, at + away_ms) for value, at in before.moved),
            delivered=(False,) * len(self._rules),
        )

    def judge(self, before: TagHistory, seen: Happened) -> tuple[TagHistory, list[str]]:
        """Whether a tag has a number that it must not have."""
        after = self._taken(before, seen)
        vouched, wrong = list(after.vouched), []
        usable: dict[str, float | None] = {}
        for place, rule in enumerate(self._rules):
            vouched[place] = tuple(
                _vouched(when, one, usable.get(when.tag), when.tag in usable, seen.now_ms)
                for when, one in zip(rule.valid_when, vouched[place], strict=True)
            )
            why = self._unusable(rule, place, after._replace(vouched=tuple(vouched)), usable, seen.now_ms)
            verdict = seen.outcome.verdicts.get(rule.tag)
            if why and isinstance(verdict, Number):
                wrong.append(f"{rule.tag} has a value although {why}")
            if not isinstance(verdict, Awaited | Held):  # those leave all as it is, until they are overdue
                usable[rule.tag] = verdict.value if isinstance(verdict, Number) else None
        return after._replace(vouched=tuple(vouched)), wrong

    def _taken(self, before: TagHistory, seen: Happened) -> TagHistory:
        readings, at_ms = list(before.readings), list(before.at_ms)
        delivered, moved = list(before.delivered), list(before.moved)
        for sample in seen.arrivals:
            if not isinstance(sample, Sample) or sample.tag not in self._place:
                continue
            place = self._place[sample.tag]
            readings[place], at_ms[place], delivered[place] = sample.reading, sample.arrived.monotonic_ms, True
            if isinstance(sample.reading, Number):
                value, band = moved[place][0], self._rules[place].frozen_band
                if value is None or round(abs(sample.reading.value - value), 9) > band:
                    moved[place] = (sample.reading.value, sample.arrived.monotonic_ms)
        return before._replace(
            readings=tuple(readings), at_ms=tuple(at_ms), delivered=tuple(delivered), moved=tuple(moved)
        )

    def _unusable(  # noqa: PLR0911 - one line a reason
        self, rule: TagRule, place: int, history: TagHistory, usable: dict[str, float | None], now_ms: int
    ) -> str:
        """Why there may be no number; empty when there may."""
        reading = history.readings[place]
        if not history.delivered[place]:
            return "it has said nothing since the start"
        if rule.stale_after_ms is not None and now_ms - history.at_ms[place] >= rule.stale_after_ms:
            return f"it has said nothing for {rule.stale_after_ms / 1000:g} s"
        if not isinstance(reading, Number):
            return "its reading is none"
        if reading.quality is Quality.UNCERTAIN and not rule.uncertain_counts:
            return "its reading is uncertain"
        frozen_ms = rule.frozen_after_ms
        if frozen_ms is not None and now_ms - history.moved[place][1] >= frozen_ms:
            return f"it has not moved for {frozen_ms / 1000:g} s"
        for when, one in zip(rule.valid_when, history.vouched[place], strict=True):
            if one.spoiled:
                return f"{when.tag} does not vouch for it, or has not for long enough"
        return self._spoiled(rule, usable)

    def _spoiled(self, rule: TagRule, usable: dict[str, float | None]) -> str:
        for bad in rule.bad_when:
            if bad.tag not in usable:
                continue
            value = usable[bad.tag]
            if value is None:
                return f"{bad.tag} has no value"
            if int(value) & bad.mask or value in bad.values:
                return f"{bad.tag} says that it is worth nothing"
        constant = rule.constant
        if (
            constant is not None
            and constant.tag != rule.tag
            and constant.tag in usable
            and usable[constant.tag] is None
        ):
            return f"{constant.tag} does not read what it must"
        return ""

    def remembers(self, history: TagHistory, tag: str) -> object:
        """All that is remembered of one tag."""
        return history, tag

    def of(self, history: TagHistory, now_ms: int) -> tuple[tuple[object, ...], list[int | None]]:
        """All of a history that is no time, and every instant at which something falls due; None: nothing runs."""
        form: list[object] = []
        ahead: list[int | None] = []
        for place, rule in enumerate(self._rules):
            at_ms, (value, moved_ms) = history.at_ms[place], history.moved[place]
            ahead.append(_plus(at_ms if at_ms < now_ms else None, rule.stale_after_ms))
            ahead.append(_plus(moved_ms if moved_ms < now_ms else None, rule.frozen_after_ms))
            for when, one in zip(rule.valid_when, history.vouched[place], strict=True):
                ahead += [_plus(one.low_since_ms, when.invalid_after_ms), _plus(one.back_since_ms, when.purge_ms)]
            form += [history.readings[place], at_ms < now_ms, history.delivered[place]]
            form += [
                None if rule.frozen_after_ms is None else value,
                tuple([one.spoiled for one in history.vouched[place]]),
            ]
        return tuple(form), ahead


def _plus(since_ms: int | None, delay_ms: int | None) -> int | None:
    return None if since_ms is None or delay_ms is None else since_ms + delay_ms


def _vouched(when: ValidWhen, before: Vouched, value: float | None, known: bool, now_ms: int) -> Vouched:  # noqa: FBT001 - a truth value
    if not known:
        return before
    if value is None or value < when.minimum:
        since_ms = now_ms if before.low_since_ms is None else before.low_since_ms
        return Vouched(since_ms, before.spoiled or now_ms - since_ms >= when.invalid_after_ms)
    if not before.spoiled:
        return Vouched()
    back_ms = now_ms if before.back_since_ms is None else before.back_since_ms
    return Vouched() if now_ms - back_ms >= when.purge_ms else Vouched(None, spoiled=True, back_since_ms=back_ms)
