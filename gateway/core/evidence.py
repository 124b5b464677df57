"""The values and limits in force when something was decided, for the journal and the message.

What a state or a status word means is said here in words, once, for whoever shows it. Numbers are rounded to what
a person can use; what is compared never is.
"""

from collections.abc import Mapping

from gateway.core.condition import (
    NOTHING,
    BadQuality,
    BitSet,
    BypassEnds,
    BypassExpired,
    Condition,
    Count,
    Deviation,
    Equals,
    HoldOverdue,
    Limit,
    Memory,
    Mismatch,
    NoChange,
    OtherLimit,
    Rate,
    Side,
    StateLimit,
    TimeBeyond,
    Tripped,
    Unproven,
    Unwritable,
    View,
    WrittenOver,
    limit_in_force,
)
from gateway.core.outcome import Fact
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number, Text
from gateway.core.validity import TagRule
from gateway.core.window import total

_WORD_BITS = 64
_SHOWN_DIGITS = 6


def shown(value: float) -> float:
    """A number without the dust of binary fractions: six significant digits, or whole where it has more than six."""
    if abs(value) >= 10**_SHOWN_DIGITS:
        return float(f"{value:.0f}")  # a status word or a running total: no digit of it is dust
    return float(f"{value:.{_SHOWN_DIGITS}g}")


def in_words(rule: TagRule, number: Number) -> str:
    """What a state or the bits of a status word mean, such as ``divert (3)``; empty for a plain number."""
    if rule.states:
        return f"{rule.states.get(int(number.value), 'unknown')} ({number.value:g})"
    if not rule.bit_names or number.reason is Reason.ROUNDED:
        return ""
    bits = [bit for bit in range(_WORD_BITS) if int(number.value) >> bit & 1]
    return ", ".join(rule.bit_names.get(bit, f"bit {bit}") for bit in bits) or "none"


def reading(tag: str, view: View, rules: Mapping[str, TagRule]) -> dict[str, Fact]:
    """What a tag says now: value with unit, or why it has none."""
    verdict = view.verdict(tag)
    facts: dict[str, Fact] = {"tag": tag}
    rule = rules.get(tag)
    if rule is not None and rule.service:
        facts["service"] = rule.service
    match verdict:
        case Number():
            facts |= {
                "value": shown(verdict.value),
                "quality": verdict.quality.value,
                "quality_reason": verdict.reason.value,
            }
            if rule is not None and rule.unit:
                facts["unit"] = rule.unit
            words = "" if rule is None else in_words(rule, verdict)
            if words:
                facts["in_words"] = words
        case Text():
            facts |= {"text": verdict.text, "quality": "good"}
        case NoNumber():
            facts |= {"quality": "bad", "quality_reason": verdict.reason.value}
        case _:
            facts["quality"] = type(verdict).__name__.lower()
    return facts


def evidence(  # noqa: C901, PLR0911, PLR0912 - one case a kind
    condition: Condition, view: View, rules: Mapping[str, TagRule], memory: Memory = NOTHING
) -> dict[str, Fact]:
    """What a condition was judged on; what it has counted is in its memory."""
    match condition:
        case Limit():
            return reading(condition.tag, view, rules) | _of_limit(condition)
        case StateLimit():
            return reading(condition.base.tag, view, rules) | limit_facts(condition, view, rules)
        case TimeBeyond():
            return reading(condition.level.tag, view, rules) | _of_limit(condition.level) | _time(condition, memory)
        case Count():
            return reading(condition.tag, view, rules) | _count(condition, memory)
        case Rate():
            return reading(condition.tag, view, rules) | _limit("rate above", condition.limit, condition.deadband)
        case Deviation():
            facts = _limit("deviation above", condition.limit, condition.deadband)
            return reading(condition.tag, view, rules) | facts | {"other": condition.other}
        case Equals():
            return reading(condition.tag, view, rules) | {"kind": "equals", "limit": shown(condition.value)}
        case BitSet():
            return reading(condition.tag, view, rules) | {"kind": "bits", "mask": condition.mask}
        case NoChange():
            return reading(condition.tag, view, rules) | {"kind": "no change"}
        case BadQuality():
            return reading(condition.tag, view, rules) | {"kind": "bad quality"} | _reasons(condition)
        case Mismatch():
            return reading(condition.feedback, view, rules) | {"kind": "mismatch", "command": condition.command}
        case Unproven():
            facts = {"kind": "not proven", "output": condition.output, "expected": condition.expected}
            return reading(condition.tag, view, rules) | facts
        case Tripped():
            return {"kind": "tripped", "interlock": condition.interlock}
        case Unwritable():
            return {"kind": "not confirmed", "output": condition.output}
        case WrittenOver():
            return {"kind": "written over", "output": condition.output}
        case BypassEnds():
            return {"kind": "bypass ends", "within_min": shown(condition.within_ms / 60_000)}
        case BypassExpired():
            return {"kind": "bypass expired"}
        case HoldOverdue():
            return {"kind": "hold overdue", "by_min": shown(condition.by_ms / 60_000)}


def _reasons(condition: BadQuality) -> dict[str, Fact]:
    named = {"because": condition.because, "except_for": condition.except_for}
    return {key: ", ".join(sorted(one.value for one in reasons)) for key, reasons in named.items() if reasons}


def _limit(kind: str, limit: float, deadband: float) -> dict[str, Fact]:
    return {"kind": kind, "limit": shown(limit), "deadband": shown(deadband)}


def _of_limit(condition: Limit) -> dict[str, Fact]:
    kind = "above" if condition.side is Side.HIGH else "below"
    return _limit(kind, condition.limit, condition.deadband)


def limit_facts(condition: StateLimit, view: View, rules: Mapping[str, TagRule]) -> dict[str, Fact]:
    """The limit in force, and which states of the plant were asked for it."""
    stands = [_state(other, view, rules) for other in condition.others]
    return {**_of_limit(limit_in_force(condition, view)), "limit_follows": "; ".join(dict.fromkeys(stands))}


def _state(other: OtherLimit, view: View, rules: Mapping[str, TagRule]) -> str:
    verdict = view.verdict(other.tag)
    if not isinstance(verdict, Number):
        return f"{other.tag} not known"
    rule = rules.get(other.tag)
    return f"{other.tag} {(in_words(rule, verdict) if rule is not None else '') or f'{verdict.value:g}'}"


def _time(condition: TimeBeyond, memory: Memory) -> dict[str, Fact]:
    return {
        "kind": f"time {'above' if condition.level.side is Side.HIGH else 'below'}",
        "counted_min": shown(total(memory.marks) / 60_000),
        "more_than_min": shown(condition.more_than_ms / 60_000),
        "window_min": shown(condition.window_ms / 60_000),
    }


def _count(condition: Count, memory: Memory) -> dict[str, Fact]:
    facts: dict[str, Fact] = {
        "kind": "count",
        "counted": total(memory.marks),
        "at_least": condition.at_least,
        "window_min": shown(condition.window_ms / 60_000),
    }
    if condition.becomes is not None:
        facts["becomes"] = shown(condition.becomes)
    if condition.level is not None:
        facts |= {"limit": shown(condition.level.limit), "deadband": shown(condition.level.deadband)}
    return facts
