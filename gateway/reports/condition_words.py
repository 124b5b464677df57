"""A condition in words for a reader: what is asked, and the limit with its unit. Pure. Judges nothing."""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from gateway.core.condition import (
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
    Mismatch,
    NoChange,
    Rate,
    Side,
    StateLimit,
    TimeBeyond,
    Tripped,
    Unproven,
    Unwritable,
    WrittenOver,
)
from gateway.core.quality import SENTENCES, Reason
from gateway.core.validity import TagRule
from gateway.reports.wording import lasting

Rules = Mapping[str, TagRule]
_WORD_BITS = 64


class Asked(NamedTuple):
    """A condition: what is asked, and what it is compared with; the second is empty where nothing is compared."""

    what: str
    limit: str


def asked(condition: Condition, tags: Rules) -> Asked:  # noqa: C901, PLR0911, PLR0912 - one case a kind
    """A condition in words.

    Args:
        condition: what is asked.
        tags: rules of the points, for their units and words.
    """
    match condition:
        case Limit():
            return Asked(f"{condition.tag} {_side(condition)}", _limit(condition, tags))
        case StateLimit():
            base = condition.base
            others = (
                f"{_amount(one.limit, base.tag, tags)} while {one.tag} is {_state(one.tag, one.equals, tags)}"
                for one in condition.others
            )
            return Asked(f"{base.tag} {_side(base)}", "; ".join([_limit(base, tags), *others]))
        case Equals():
            return Asked(f"{condition.tag} is", _state(condition.tag, condition.value, tags))
        case BitSet():
            return Asked(f"{condition.tag} shows", " or ".join(_bits(condition, tags)))
        case NoChange():
            band = f"{_amount(condition.band, condition.tag, tags)} in " if condition.band else ""
            return Asked(f"{condition.tag} does not move", f"{band}{lasting(condition.after_ms)}")
        case BadQuality():
            return Asked(f"{condition.tag} has no usable value", _reasons(condition))
        case Rate():
            return Asked(
                f"{condition.tag} rises faster than", f"{_amount(condition.limit, condition.tag, tags)} a minute"
            )
        case Deviation():
            return Asked(
                f"{condition.tag} and {condition.other} differ by more than",
                _amount(condition.limit, condition.tag, tags),
            )
        case Mismatch():
            return Asked(f"{condition.feedback} is not what {condition.command} commands", "")
        case Unproven():
            expected = _state(condition.tag, condition.expected, tags)
            return Asked(f"{condition.output} commanded safe, and {condition.tag} is not", expected)
        case Tripped():
            return Asked(f"{condition.interlock} tripped, and its cause stands", "")
        case Unwritable():
            return Asked(f"{condition.output} does not read back as written", "")
        case WrittenOver():
            return Asked(f"somebody else wrote the register of {condition.output}", "")
        case BypassEnds():
            return Asked("a bypass ends within", lasting(condition.within_ms))
        case BypassExpired():
            return Asked("a bypass ended by itself within the last", lasting(condition.for_ms))
        case HoldOverdue():
            return Asked("an announced hold stands longer than planned, by", lasting(condition.by_ms))
        case TimeBeyond():
            most, window = lasting(condition.more_than_ms), lasting(condition.window_ms)
            what = f"{condition.level.tag} for more than {most} of the last {window} {_side(condition.level)}"
            return Asked(what, _limit(condition.level, tags))
        case Count():
            return Asked(
                f"{condition.tag} counted {condition.at_least} times in {lasting(condition.window_ms)}",
                _counted(condition, tags),
            )


def _side(condition: Limit) -> str:
    return "above" if condition.side is Side.HIGH else "below"


def _limit(condition: Limit, tags: Rules) -> str:
    limit = _amount(condition.limit, condition.tag, tags)
    if not condition.deadband:
        return limit
    back = condition.limit - condition.deadband if condition.side is Side.HIGH else condition.limit + condition.deadband
    return f"{limit} (gone at {back:g})"


def _amount(value: float, tag: str, tags: Rules) -> str:
    rule = tags.get(tag)
    return f"{value:g} {rule.unit}" if rule is not None and rule.unit else f"{value:g}"


def _state(tag: str, value: float, tags: Rules) -> str:
    rule = tags.get(tag)
    words = rule.states.get(int(value), "") if rule is not None else ""
    return f"{words} ({value:g})" if words else _amount(value, tag, tags)


def _bits(condition: BitSet, tags: Rules) -> Iterable[str]:
    rule = tags.get(condition.tag)
    names = rule.bit_names if rule is not None else {}
    bits = (bit for bit in range(_WORD_BITS) if condition.mask >> bit & 1)
    return (f"bit {bit} ({names[bit]})" if bit in names else f"bit {bit}" for bit in bits)


def _reasons(condition: BadQuality) -> str:
    parts = (("because ", condition.because), ("unless ", condition.except_for))
    return "; ".join(f"{word}{_sentences(reasons)}" for word, reasons in parts if reasons)


def _sentences(reasons: Iterable[Reason]) -> str:
    return " or ".join(sorted(SENTENCES[one] for one in reasons))


def _counted(condition: Count, tags: Rules) -> str:
    if condition.becomes is not None:
        return f"coming to {_state(condition.tag, condition.becomes, tags)}"
    return (
        f"coming {_side(condition.level)} {_limit(condition.level, tags)}" if condition.level is not None else "steps"
    )
