"""The values and limits in force when something was decided, for the journal and the message.

What a state or a status word means is said here in words, once, for whoever shows it. Numbers are rounded to what
a person can use; what is compared never is.
"""

from collections.abc import Mapping

from gateway.core.condition import (
    BadQuality,
    BitSet,
    Condition,
    Deviation,
    Equals,
    Limit,
    Mismatch,
    NoChange,
    Rate,
    Side,
    Tripped,
    Unproven,
    Unwritable,
    View,
    WrittenOver,
)
from gateway.core.outcome import Fact
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number, Text
from gateway.core.validity import TagRule

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


def evidence(  # noqa: C901, PLR0911 - one case a kind
    condition: Condition, view: View, rules: Mapping[str, TagRule]
) -> dict[str, Fact]:
    """What a condition was judged on."""
    match condition:
        case Limit():
            kind = "above" if condition.side is Side.HIGH else "below"
            return reading(condition.tag, view, rules) | _limit(kind, condition.limit, condition.deadband)
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


def _reasons(condition: BadQuality) -> dict[str, Fact]:
    named = {"because": condition.because, "except_for": condition.except_for}
    return {key: ", ".join(sorted(one.value for one in reasons)) for key, reasons in named.items() if reasons}


def _limit(kind: str, limit: float, deadband: float) -> dict[str, Fact]:
    return {"kind": kind, "limit": shown(limit), "deadband": shown(deadband)}
