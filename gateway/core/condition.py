"""Is it so? One question about the plant, asked by alarms and interlocks alike.

A condition looks at verdicts and answers: in, between (inside the deadband),
clear, bad, or frozen (held or awaited: nothing may move). It knows nothing of
delays, latches or people.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from typing import NamedTuple

from gateway.core.delay import running_since, shifted
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number
from gateway.core.validity import AWAITED, HELD, Awaited, Held, Verdict
from gateway.core.window import Marks, happened, lasted, shifted_marks, total


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


@dataclass(frozen=True, slots=True, kw_only=True)
class BypassEnds:
    """In condition while a bypass stands that ends within ``within_ms``."""

    within_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BypassExpired:
    """In condition for ``for_ms`` after a bypass has ended by itself, because nobody ended it before."""

    for_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldOverdue:
    """In condition while an announced hold stands ``by_ms`` after its planned end."""

    by_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherLimit:
    """Another limit while ``tag`` has the value ``equals``."""

    tag: str
    equals: float
    limit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StateLimit:
    """A limit that follows the state of the plant.

    The first of ``others`` whose state holds gives the limit, else it is that of ``base``. Where a state is not
    known, the strictest of the limits that may be meant is in force.
    """

    base: Limit
    others: tuple[OtherLimit, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeBeyond:
    """In condition while a tag was beyond a limit for more than ``more_than_ms`` of the last ``window_ms``.

    Time in which the tag has no usable value, or in which nobody looked, does not count.
    """

    level: Limit
    more_than_ms: int
    window_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """In condition while something happened ``at_least`` times in the last ``window_ms``.

    Args:
        tag: what is watched.
        at_least: so many times.
        window_ms: in so long.
        becomes: each time it comes to this value counts; None looks at ``level``.
        level: each time it comes beyond this limit counts; None with ``becomes`` None: every step of a running number.
    """

    tag: str
    at_least: int
    window_ms: int
    becomes: float | None = None
    level: Limit | None = None


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
    | BypassEnds
    | BypassExpired
    | HoldOverdue
    | StateLimit
    | TimeBeyond
    | Count
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
    """What a condition remembers between scans: the value it compares with, since when it stands, what it counted."""

    value: float | None = None
    since_ms: int | None = None
    marks: Marks = ()


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
        bypass_ends_ms: when the next bypass ends; None without one.
        bypass_expired_ms: when a bypass ended by itself last; None when none did.
        hold_ends_ms: the earliest planned end of a hold that stands; None without one.
        elapsed_ms: since the last scan of this run.
    """

    now_ms: int
    verdicts: Mapping[str, Verdict]
    rates: Mapping[str, float | None]
    safe_since_ms: Mapping[str, int | None]
    standing: frozenset[str] = frozenset()
    unconfirmed: frozenset[str] = frozenset()
    written_over: frozenset[str] = frozenset()
    bypass_ends_ms: int | None = None
    bypass_expired_ms: int | None = None
    hold_ends_ms: int | None = None
    elapsed_ms: int = 0

    def verdict(self, tag: str) -> Verdict:
        """The verdict of a tag; one that nothing declares is awaited for ever."""
        return self.verdicts.get(tag, AWAITED)


class Asked(NamedTuple):
    """An answer, what to remember, and the exact instant it stands since where the condition knows it."""

    answer: Answer
    memory: Memory
    since_ms: int | None = None


NOTHING = Memory()
_DUST = 1e-6  # nearer than this to a limit, rounding has a say
_CLIPPED = (Reason.OVER_RANGE, Reason.UNDER_RANGE)
_DIGITS = 9  # hides what binary fractions do to 3 * 0.1 and 0.3 - 0.1; far finer than any instrument


def _truth(so: bool) -> Answer:  # noqa: FBT001 - a truth value turned into an answer
    return Answer.IN if so else Answer.CLEAR


def ask(condition: Condition, memory: Memory, view: View) -> Asked:  # noqa: C901, PLR0911, PLR0912 - one line a kind
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
        case BypassEnds() | BypassExpired() | HoldOverdue():
            return Asked(_truth(_put_aside(condition, view)), memory)
        case StateLimit():
            return _ask_limit(limit_in_force(condition, view), memory, view)
        case TimeBeyond():
            return _ask_time(condition, memory, view)
        case Count():
            return _ask_count(condition, memory, view)


# Members of an Enum are looked up in a class of classes at every use; those used for every tag in every scan, once.
_IN, _BETWEEN, _CLEAR = Answer.IN, Answer.BETWEEN, Answer.CLEAR
_OK, _ROUNDED = Reason.OK, Reason.ROUNDED

Look = Callable[[View], Answer | None]
"""One look at a condition; None leaves it to ``ask``."""


def look_of(condition: Condition) -> Look:  # noqa: PLR0911 - one line a kind
    """A look that answers where there is nothing to remember and no rounding can have a say. Made once a rule.

    Where it answers, it answers what ``ask`` does.
    """
    match condition:
        case Limit():
            return _look_high(condition) if condition.side is Side.HIGH else _look_low(condition)
        case BadQuality():
            return lambda view: _CLEAR if isinstance(view.verdicts.get(condition.tag), Number) else None
        case Equals():
            return _look_equals(condition)
        case BitSet():
            return _look_bits(condition)
        case Deviation():
            return _look_apart(condition)
        case Tripped():
            return lambda view: _IN if condition.interlock in view.standing else _CLEAR
        case Unwritable():
            return lambda view: _IN if condition.output in view.unconfirmed else _CLEAR
        case WrittenOver():
            return lambda view: _IN if condition.output in view.written_over else _CLEAR
        case BypassEnds() | BypassExpired() | HoldOverdue():
            return lambda view: _truth(_put_aside(condition, view))
        case _:
            return lambda _: None


def _look_high(condition: Limit) -> Look:
    tag, end = condition.tag, condition.limit - condition.deadband
    beyond, inside, left, clear = condition.limit + _DUST, condition.limit - _DUST, end + _DUST, end - _DUST

    def look(view: View) -> Answer | None:
        verdict = view.verdicts.get(tag)
        if not isinstance(verdict, Number) or (verdict.reason is not _OK and verdict.reason in _CLIPPED):
            return None
        value = verdict.value
        if value < clear:
            return _CLEAR
        if value > beyond:
            return _IN
        return _BETWEEN if left < value < inside else None

    return look


def _look_low(condition: Limit) -> Look:
    tag, end = condition.tag, condition.limit + condition.deadband
    beyond, inside, left, clear = condition.limit - _DUST, condition.limit + _DUST, end - _DUST, end + _DUST

    def look(view: View) -> Answer | None:
        verdict = view.verdicts.get(tag)
        if not isinstance(verdict, Number) or (verdict.reason is not _OK and verdict.reason in _CLIPPED):
            return None
        value = verdict.value
        if value > clear:
            return _CLEAR
        if value < beyond:
            return _IN
        return _BETWEEN if inside < value < left else None

    return look


def _look_equals(condition: Equals) -> Look:
    tag, value = condition.tag, condition.value

    def look(view: View) -> Answer | None:
        verdict = view.verdicts.get(tag)
        if not isinstance(verdict, Number):
            return None
        return _IN if verdict.value == value else _CLEAR

    return look


def _look_bits(condition: BitSet) -> Look:
    tag, mask = condition.tag, condition.mask

    def look(view: View) -> Answer | None:
        verdict = view.verdicts.get(tag)
        if not isinstance(verdict, Number) or verdict.reason is _ROUNDED:
            return None
        return _IN if int(verdict.value) & mask else _CLEAR

    return look


def _look_apart(condition: Deviation) -> Look:
    tag, other, clear = condition.tag, condition.other, condition.limit - condition.deadband - _DUST

    def look(view: View) -> Answer | None:
        first, second = view.verdicts.get(tag), view.verdicts.get(other)
        if not isinstance(first, Number) or not isinstance(second, Number):
            return None
        return _CLEAR if abs(first.value - second.value) < clear else None

    return look


def tags_of(condition: Condition) -> tuple[str, ...]:
    """Every tag a condition looks at."""
    match condition:
        case Mismatch():
            return (condition.command, condition.feedback)
        case Deviation():
            return (condition.tag, condition.other)
        case Tripped() | Unwritable() | WrittenOver() | BypassEnds() | BypassExpired() | HoldOverdue():
            return ()
        case StateLimit():
            return (condition.base.tag, *(other.tag for other in condition.others))
        case TimeBeyond():
            return (condition.level.tag,)
        case _:
            return (condition.tag,)


def _usable(view: View, *tags: str) -> Answer | tuple[Number, ...]:
    """The numbers, or the answer that stands in their place: awaited before held before bad."""
    verdicts = [view.verdicts.get(tag, AWAITED) for tag in tags]
    numbers = tuple([verdict for verdict in verdicts if isinstance(verdict, Number)])
    if len(numbers) == len(verdicts):
        return numbers
    if AWAITED in verdicts:
        return Answer.AWAITED
    return Answer.HELD if HELD in verdicts else Answer.BAD


def _in_its_place(verdict: Verdict) -> Answer:
    """The answer where one tag has no number."""
    if isinstance(verdict, Awaited):
        return Answer.AWAITED
    return Answer.HELD if isinstance(verdict, Held) else Answer.BAD


def _beyond(value: float, limit: float, deadband: float) -> Answer:
    """A high comparison. At the limit is not beyond it, and at its end the deadband is left."""
    value = round(value, _DIGITS)
    if value > round(limit, _DIGITS):
        return Answer.IN
    return Answer.CLEAR if value <= round(limit - deadband, _DIGITS) else Answer.BETWEEN


def _below(value: float, limit: float, deadband: float) -> Answer:
    return _beyond(-value, -limit, deadband)


def _ask_limit(condition: Limit, memory: Memory, view: View) -> Asked:
    number = view.verdicts.get(condition.tag, AWAITED)
    if not isinstance(number, Number):
        return Asked(_in_its_place(number), memory)
    high = condition.side is Side.HIGH
    if number.reason is (Reason.OVER_RANGE if high else Reason.UNDER_RANGE):
        return Asked(Answer.IN, memory)  # clipped: at least beyond whatever lies inside the span
    compare = _beyond if high else _below
    return Asked(compare(number.value, condition.limit, condition.deadband), memory)


def _ask_equals(condition: Equals, memory: Memory, view: View) -> Asked:
    number = view.verdict(condition.tag)
    if not isinstance(number, Number):
        return Asked(_in_its_place(number), memory)
    return Asked(_truth(number.value == condition.value), memory)


def _ask_bits(condition: BitSet, memory: Memory, view: View) -> Asked:
    number = view.verdict(condition.tag)
    if not isinstance(number, Number):
        return Asked(_in_its_place(number), memory)
    if number.reason is Reason.ROUNDED:  # its lower bits are not what was read
        return Asked(Answer.BAD, memory)
    return Asked(_truth(bool(int(number.value) & condition.mask)), memory)


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
    number = view.verdict(condition.tag)
    if not isinstance(number, Number):
        return Asked(_in_its_place(number), memory)
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


def _put_aside(condition: BypassEnds | BypassExpired | HoldOverdue, view: View) -> bool:
    match condition:
        case BypassEnds():
            return view.bypass_ends_ms is not None and view.bypass_ends_ms - view.now_ms <= condition.within_ms
        case BypassExpired():
            since_ms = view.bypass_expired_ms
            return since_ms is not None and view.now_ms - since_ms < condition.for_ms
        case HoldOverdue():
            return view.hold_ends_ms is not None and view.now_ms - view.hold_ends_ms >= condition.by_ms


def limit_in_force(condition: StateLimit, view: View) -> Limit:
    """The limit that a state of the plant gives now; the strictest that may be meant where a state is not known."""
    possible: list[float] = []
    for other in condition.others:
        verdict = view.verdict(other.tag)
        if not isinstance(verdict, Number):
            possible.append(other.limit)
        elif verdict.value == other.equals:
            possible.append(other.limit)
            break
    else:
        possible.append(condition.base.limit)
    strictest = min if condition.base.side is Side.HIGH else max
    return replace(condition.base, limit=strictest(possible))


def _ask_time(condition: TimeBeyond, memory: Memory, view: View) -> Asked:
    """Between two scans a reading counts as what it was at the first."""
    passed_ms = view.elapsed_ms if memory.value else 0
    marks = lasted(memory.marks, amount_ms=passed_ms, now_ms=view.now_ms, window_ms=condition.window_ms)
    now = _ask_limit(condition.level, NOTHING, view).answer
    if now in (Answer.BAD, Answer.HELD, Answer.AWAITED):
        return Asked(now, Memory(marks=marks))
    beyond = now is Answer.IN or (now is Answer.BETWEEN and bool(memory.value))
    return Asked(_truth(total(marks) > condition.more_than_ms), Memory(value=float(beyond), marks=marks))


def _ask_count(condition: Count, memory: Memory, view: View) -> Asked:
    """What happened while nobody could look counts once it is seen: the reading before the gap is remembered."""
    number = view.verdict(condition.tag)
    if not isinstance(number, Number):
        return Asked(_in_its_place(number), memory)
    value = _counted(condition, memory, number, view)
    marks = happened(
        memory.marks,
        times=_times(condition, memory.value, value),
        now_ms=view.now_ms,
        window_ms=condition.window_ms,
        enough=condition.at_least,
    )
    return Asked(_truth(total(marks) >= condition.at_least), Memory(value=value, marks=marks))


def _counted(condition: Count, memory: Memory, number: Number, view: View) -> float:
    """The running number itself, or whether it is so now."""
    if condition.becomes is not None:
        return float(number.value == condition.becomes)
    if condition.level is None:
        return number.value
    answer = _ask_limit(condition.level, NOTHING, view).answer
    return float(answer is Answer.IN or (answer is Answer.BETWEEN and bool(memory.value)))


def _times(condition: Count, before: float | None, now: float) -> int:
    """How often it happened since the reading before. A running number that goes back has begun again: none."""
    grown = 0.0 if before is None else now - before
    if condition.becomes is None and condition.level is None:
        return max(0, round(grown))
    return int(grown > 0)


def memory_after_restart(memory: Memory, shift_ms: int) -> Memory:
    """A memory carried into the new run's monotonic time."""
    return replace(memory, since_ms=shifted(memory.since_ms, shift_ms), marks=shifted_marks(memory.marks, shift_ms))
