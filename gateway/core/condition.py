"""Is it so? One question about the plant, asked by alarms and interlocks alike.

A condition looks at verdicts and answers: in, between (inside the deadband),
clear, bad, or frozen (held or awaited: nothing may move). It knows nothing of
delays, latches or people.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from gateway.core.delay import running_since
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number
from gateway.core.validity import AWAITED, Awaited, Held, Verdict


class Side(Enum):
    """Which side of the limit is wrong."""

    HIGH = "high"
    LOW = "low"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """In condition beyond ``limit``; clear from ``limit`` less the deadband on. Engineering units."""

    tag: str
    side: Side
    limit: float
    deadband: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Equals:
    """In condition while the tag is exactly ``value`` (contacts, states)."""

    tag: str
    value: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BitSet:
    """In condition while any bit of ``mask`` stands in a status tag."""

    tag: str
    mask: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Mismatch:
    """In condition while command and feedback differ; a new command starts the delay again."""

    command: str
    feedback: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NoChange:
    """In condition once nothing has moved by more than ``band`` for ``after_ms``; bad readings are no movement."""

    tag: str
    band: float = 0.0
    after_ms: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class BadQuality:
    """In condition while the tag has no usable value, for a reason that counts.

    Args:
        tag: the tag that is watched.
        because: reasons that count; empty counts every one.
        except_for: reasons that do not count, because something else watches them.
    """

    tag: str
    because: frozenset[Reason] = frozenset()
    except_for: frozenset[Reason] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """In condition while the change per minute between two samples is above ``limit``."""

    tag: str
    limit: float
    deadband: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Deviation:
    """In condition while two tags differ by more than ``limit``."""

    tag: str
    other: str
    limit: float
    deadband: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Unproven:
    """In condition while an output is commanded safe and ``tag`` does not read ``expected``.

    A bad ``tag`` is no proof. The command starts the delay.
    """

    output: str
    tag: str
    expected: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tripped:
    """In condition while the cause of an interlock stands and it is tripped (or would be, bypassed)."""

    interlock: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Unwritable:
    """In condition while an output's level does not read back as written."""

    output: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenOver:
    """In condition while an output is latched because somebody else wrote its register."""

    output: str


Condition = (
    Limit
    | Equals
    | BitSet
    | Mismatch
    | NoChange
    | BadQuality
    | Rate
    | Deviation
    | Unproven
    | Tripped
    | Unwritable
    | WrittenOver
)


class Answer(Enum):
    """What a condition says now."""

    IN = "in"
    BETWEEN = "between"  # inside the deadband: neither in condition nor clear
    CLEAR = "clear"
    BAD = "bad"  # an input has no usable value
    HELD = "held"  # an input is held: nothing may start, fire or end
    AWAITED = "awaited"  # an input has not delivered since the start


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What a condition remembers between scans: the value it compares with, and since when it stands."""

    value: float | None = None
    since_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What conditions can look at in one scan.

    Args:
        now_ms: this scan, monotonic.
        verdicts: of every tag.
        rates: change per minute of tags, None when not known.
        safe_since_ms: output id to when it was commanded safe, None while it is not.
        standing: interlocks that are tripped with their cause present.
        unconfirmed: outputs whose level does not read back.
        written_over: outputs latched because somebody else wrote their registers.
    """

    now_ms: int
    verdicts: Mapping[str, Verdict]
    rates: Mapping[str, float | None]
    safe_since_ms: Mapping[str, int | None]
    standing: frozenset[str] = frozenset()
    unconfirmed: frozenset[str] = frozenset()
    written_over: frozenset[str] = frozenset()

    def verdict(self, tag: str) -> Verdict:
        """The verdict of a tag; one that nothing declares is awaited for ever."""
        return self.verdicts.get(tag, AWAITED)


@dataclass(frozen=True, slots=True)
class Asked:
    """An answer, what to remember, and the exact instant it stands since where the condition knows it."""

    answer: Answer
    memory: Memory
    since_ms: int | None = None


NOTHING = Memory()
_DIGITS = 9  # hides what binary fractions do to 3 * 0.1 and 0.3 - 0.1; far finer than any instrument


def _truth(so: bool) -> Answer:  # noqa: FBT001 - a truth value turned into an answer
    return Answer.IN if so else Answer.CLEAR


def ask(condition: Condition, memory: Memory, view: View) -> Asked:  # noqa: C901, PLR0911 - one line a kind
    """Put the question."""
    match condition:
        case Limit():
            return _ask_limit(condition, memory, view)
        case Equals():
            return _ask_equals(condition, memory, view)
        case BitSet():
            return _ask_bits(condition, memory, view)
        case Mismatch():
            return _ask_mismatch(condition, memory, view)
        case NoChange():
            return _ask_no_change(condition, memory, view)
        case BadQuality():
            return Asked(_ask_quality(condition, view.verdict(condition.tag)), memory)
        case Rate():
            return _ask_rate(condition, memory, view)
        case Deviation():
            return _ask_deviation(condition, memory, view)
        case Unproven():
            return _ask_unproven(condition, memory, view)
        case Tripped():
            return Asked(_truth(condition.interlock in view.standing), memory)
        case Unwritable():
            return Asked(_truth(condition.output in view.unconfirmed), memory)
        case WrittenOver():
            return Asked(_truth(condition.output in view.written_over), memory)


def tags_of(condition: Condition) -> tuple[str, ...]:
    """Every tag a condition looks at."""
    match condition:
        case Mismatch():
            return (condition.command, condition.feedback)
        case Deviation():
            return (condition.tag, condition.other)
        case Tripped() | Unwritable() | WrittenOver():
            return ()
        case _:
            return (condition.tag,)


def _usable(view: View, *tags: str) -> Answer | tuple[Number, ...]:
    """The numbers, or the answer that stands in their place: awaited before held before bad."""
    verdicts = [view.verdict(tag) for tag in tags]
    if any(isinstance(verdict, Awaited) for verdict in verdicts):
        return Answer.AWAITED
    if any(isinstance(verdict, Held) for verdict in verdicts):
        return Answer.HELD
    numbers = tuple(verdict for verdict in verdicts if isinstance(verdict, Number))
    return numbers if len(numbers) == len(verdicts) else Answer.BAD


def _beyond(value: float, limit: float, deadband: float) -> Answer:
    """A high comparison. At the limit is not beyond it, and at its end the deadband is left."""
    value = round(value, _DIGITS)
    if value > round(limit, _DIGITS):
        return Answer.IN
    return Answer.CLEAR if value <= round(limit - deadband, _DIGITS) else Answer.BETWEEN


def _below(value: float, limit: float, deadband: float) -> Answer:
    value = round(value, _DIGITS)
    if value < round(limit, _DIGITS):
        return Answer.IN
    return Answer.CLEAR if value >= round(limit + deadband, _DIGITS) else Answer.BETWEEN


def _ask_limit(condition: Limit, memory: Memory, view: View) -> Asked:
    usable = _usable(view, condition.tag)
    if isinstance(usable, Answer):
        return Asked(usable, memory)
    number = usable[0]
    high = condition.side is Side.HIGH
    if number.reason is (Reason.OVER_RANGE if high else Reason.UNDER_RANGE):
        return Asked(Answer.IN, memory)  # clipped: at least beyond whatever lies inside the span
    compare = _beyond if high else _below
    return Asked(compare(number.value, condition.limit, condition.deadband), memory)


def _ask_equals(condition: Equals, memory: Memory, view: View) -> Asked:
    usable = _usable(view, condition.tag)
    if isinstance(usable, Answer):
        return Asked(usable, memory)
    return Asked(_truth(usable[0].value == condition.value), memory)


def _ask_bits(condition: BitSet, memory: Memory, view: View) -> Asked:
    usable = _usable(view, condition.tag)
    if isinstance(usable, Answer):
        return Asked(usable, memory)
    if usable[0].reason is Reason.ROUNDED:  # its lower bits are not what was read
        return Asked(Answer.BAD, memory)
    return Asked(_truth(bool(int(usable[0].value) & condition.mask)), memory)


def _ask_quality(condition: BadQuality, verdict: Verdict) -> Answer:
    if isinstance(verdict, Held | Awaited):
        return Answer.HELD if isinstance(verdict, Held) else Answer.AWAITED
    if not isinstance(verdict, NoNumber) or verdict.reason in condition.except_for:
        return Answer.CLEAR
    return _truth(not condition.because or verdict.reason in condition.because)


def _ask_mismatch(condition: Mismatch, memory: Memory, view: View) -> Asked:
    usable = _usable(view, condition.command, condition.feedback)
    if usable is Answer.BAD:
        return Asked(Answer.BAD, NOTHING)
    if isinstance(usable, Answer):
        return Asked(usable, memory)
    command, feedback = usable
    if command.value == feedback.value:
        return Asked(Answer.CLEAR, Memory(value=command.value))
    since_ms = running_since(memory.since_ms if memory.value == command.value else None, view.now_ms)
    return Asked(Answer.IN, Memory(value=command.value, since_ms=since_ms), since_ms)


def _ask_no_change(condition: NoChange, memory: Memory, view: View) -> Asked:
    verdict = view.verdict(condition.tag)
    memory = memory if memory.since_ms is not None else Memory(since_ms=view.now_ms)
    if isinstance(verdict, Awaited | Held):
        return Asked(Answer.AWAITED if isinstance(verdict, Awaited) else Answer.HELD, memory)
    if isinstance(verdict, Number) and _moved(memory, verdict.value, condition.band):
        return Asked(Answer.CLEAR, Memory(value=verdict.value, since_ms=view.now_ms))
    since_ms = running_since(memory.since_ms, view.now_ms)
    still = view.now_ms - since_ms >= condition.after_ms
    return Asked(Answer.IN if still else Answer.CLEAR, memory, since_ms)


def _moved(memory: Memory, value: float, band: float) -> bool:
    return memory.value is None or round(abs(value - memory.value), _DIGITS) > band


def _ask_rate(condition: Rate, memory: Memory, view: View) -> Asked:
    usable = _usable(view, condition.tag)
    if isinstance(usable, Answer):
        return Asked(usable, memory)
    rate = view.rates.get(condition.tag)
    if rate is None:  # one sample has no rate; nothing may move until the next
        return Asked(Answer.HELD, memory)
    return Asked(_beyond(rate, condition.limit, condition.deadband), memory)


def _ask_deviation(condition: Deviation, memory: Memory, view: View) -> Asked:
    usable = _usable(view, condition.tag, condition.other)
    if isinstance(usable, Answer):
        return Asked(usable, memory)
    difference = round(abs(usable[0].value - usable[1].value), _DIGITS)
    return Asked(_beyond(difference, condition.limit, condition.deadband), memory)


def _ask_unproven(condition: Unproven, memory: Memory, view: View) -> Asked:
    commanded_ms = view.safe_since_ms.get(condition.output)
    verdict = view.verdict(condition.tag)
    if commanded_ms is None:
        return Asked(Answer.CLEAR, NOTHING)
    if isinstance(verdict, Number) and verdict.value == condition.expected:
        return Asked(Answer.CLEAR, Memory(value=float(commanded_ms)))  # proven since this command
    if memory.since_ms is not None:
        since_ms = max(commanded_ms, memory.since_ms)
    else:
        since_ms = view.now_ms if memory.value == commanded_ms else commanded_ms
    return Asked(Answer.IN, Memory(since_ms=since_ms), since_ms)
