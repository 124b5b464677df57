"""The published targets of an alarm review, each with its source, and whether a review meets them. Pure.

Everything is quoted from trade literature or from memory, none of it checked
against the text of the standard; so says every review.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from gateway.core.alarm import Priority
from gateway.reports.alarm_review import DAY_MS, HOUR_MS, TEN_MINUTES_MS, Review
from gateway.reports.annunciations import Hidden

WEEK_MS = 7 * DAY_MS
SAYS_LITTLE_BELOW_MS = 30 * DAY_MS
MEDIAN, NINE_OF_TEN = 0.5, 0.9


class Form(Enum):
    """How a value is to be read."""

    TEXT = "text"
    MOMENT = "moment"  # milliseconds UTC
    COUNT = "count"
    RATE = "rate"
    PART = "part"  # of one
    DURATION = "duration"  # milliseconds


class Sense(Enum):
    """On which side of a limit a figure is to lie."""

    AT_MOST = "at most"
    BELOW = "below"
    AT_LEAST = "at least"


class Met(Enum):
    """Whether a target is met."""

    YES = "met"
    NO = "not met"
    UNKNOWN = "cannot be told"  # there is no figure
    NO_TARGET = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A published target; ``more`` is what else its source says."""

    sense: Sense = Sense.AT_MOST
    limit: float
    source: str
    more: str = ""

    def met_by(self, value: float) -> bool:
        """Whether a figure lies on the right side."""
        if self.sense is Sense.AT_LEAST:
            return value >= self.limit
        return value <= self.limit if self.sense is Sense.AT_MOST else value < self.limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of a review beside its target.

    Args:
        key: its name for machines.
        what: in words.
        value: None when there is none: the gateway did not run for as long, or nothing was annunciated.
        form: how to read it.
        target: None where nobody has published one.
    """

    key: str
    what: str
    value: float | None
    form: Form = Form.COUNT
    target: Target | None = None

    @property
    def met(self) -> Met:
        """Whether the target is met."""
        if self.target is None:
            return Met.NO_TARGET
        if self.value is None:
            return Met.UNKNOWN
        return Met.YES if self.target.met_by(self.value) else Met.NO

    @property
    def target_text(self) -> str:
        """The target in words; empty when there is none."""
        if self.target is None:
            return ""
        if self.target == NONE_AT_ALL:
            return "none"
        limit = f"{self.target.limit:.0%}" if self.form is Form.PART else f"{self.target.limit:g}"
        return f"{self.target.sense.value} {limit}{self.target.more}"

    @property
    def source(self) -> str:
        """Where the target is from; empty when there is none."""
        return "" if self.target is None else self.target.source


_ISA = "ISA-18.2"
_ISA_QUOTED = "ISA-18.2 as quoted"
_EEMUA = "EEMUA 191"
_HSE = "HSE CHIS6 / EEMUA 191"
_SHEET = "figures derived from EEMUA 191"
_SPLIT = "EEMUA 191 / ISA-18.2"
_PRACTICE = "practice for sites without staff"

PER_TEN_MINUTES = Target(limit=1, source=_HSE)
PEAK_TEN_MINUTES = Target(limit=10, source=_HSE, more=" in the first 10 min of an upset")
PEAK_HOUR = Target(limit=15, source=_SHEET)
PEAK_MINUTE = Target(limit=2, source=_SHEET)
PER_DAY = Target(limit=150, source=_ISA, more="; 300 is the most to manage")
MESSAGES_A_DAY = Target(limit=1, source=_PRACTICE)
P1_A_WEEK = Target(limit=1, source=_PRACTICE)
IN_FLOOD = Target(sense=Sense.BELOW, limit=0.01, source=_ISA_QUOTED)
BUSY = Target(sense=Sense.BELOW, limit=0.01, source=_ISA)
TOP_TEN = Target(limit=0.05, source=_ISA, more=", better 1%")
NONE_AT_ALL = Target(limit=0, source=_ISA)
STANDING = Target(sense=Sense.BELOW, limit=5, source=_ISA)
ACTIVE = Target(sense=Sense.BELOW, limit=10, source=_EEMUA)
SHELVED = Target(sense=Sense.BELOW, limit=30, source=_EEMUA)
SHARES = {
    Priority.P1: Target(limit=0.05, source=_SPLIT),
    Priority.P2: Target(limit=0.15, source=_SPLIT),
    Priority.P3: Target(sense=Sense.AT_LEAST, limit=0.80, source=_SPLIT),
}


def figures(found: Review) -> tuple[Figure, ...]:
    """Every figure of a review, in the order in which to read them."""
    parts = (_rates, _peaks, _floods, _bad_actors, _shares, _answers, _hidden)
    return tuple(one for part in parts for one in part(found))


def steady_state(rate: float) -> str:
    """The word of EEMUA 191 for an average rate in ten minutes."""
    scale = ((1, "acceptable"), (2, "manageable"), (10, "over-demanding"))
    return next((word for most, word in scale if rate <= most), "unacceptable")


def upset(count: int) -> str:
    """The word of EEMUA 191 for the annunciations of ten minutes of an upset."""
    scale = ((10, "manageable"), (100, "hard"))
    return next((word for most, word in scale if count <= most), "excessive")


def _rates(found: Review) -> Iterator[Figure]:
    count = len(found.annunciations)
    p1 = found.priorities.get(Priority.P1.value, 0)
    yield Figure(key="annunciations", what="annunciations", value=count)
    for key, what, counted, per_ms, target in (
        ("per_10_min_mean", "annunciations in 10 min, mean", count, TEN_MINUTES_MS, PER_TEN_MINUTES),
        ("per_hour_mean", "annunciations an hour, mean", count, HOUR_MS, None),
        ("per_day_mean", "annunciations a day, mean", count, DAY_MS, PER_DAY),
        ("messages_per_day", "P1 and P2 a day, each a message", found.messages, DAY_MS, MESSAGES_A_DAY),
        ("p1_per_week", "P1 a week, each wakes somebody", p1, WEEK_MS, P1_A_WEEK),
    ):
        yield Figure(key=key, what=what, value=found.rate(counted, per_ms), form=Form.RATE, target=target)


def _peaks(found: Review) -> Iterator[Figure]:
    for key, what, peak, target in (
        ("per_minute_peak", "annunciations in a minute, most (rolling)", found.peak_minute, PEAK_MINUTE),
        ("per_10_min_peak", "annunciations in 10 min, most (rolling)", found.peak_ten_minutes, PEAK_TEN_MINUTES),
        ("per_hour_peak", "annunciations in an hour, most (rolling)", found.peak_hour, PEAK_HOUR),
        ("active_peak", "alarms active at once, most", found.active_peak, ACTIVE),
    ):
        yield Figure(key=key, what=what, value=_known(found, peak.count), target=target)


def _known(found: Review, count: int) -> int | None:
    """A count, or nothing when the gateway did not run to count."""
    return count if found.running_ms else None


def _floods(found: Review) -> Iterator[Figure]:
    what = "floods (more than 10 in 10 min, until fewer than 5)"
    yield Figure(key="floods", what=what, value=_known(found, len(found.floods)))
    for key, what, some_ms, target in (
        ("time_in_flood", "time in flood", found.flood_ms, IN_FLOOD),
        ("time_above_10", "time with more than 10 in the last 10 min", found.busy_ten_minutes_ms, BUSY),
        ("time_above_30", "time with more than 30 in the last hour", found.busy_hours_ms, BUSY),
    ):
        yield Figure(key=key, what=what, value=found.part(some_ms), form=Form.PART, target=target)


def _bad_actors(found: Review) -> Iterator[Figure]:
    share = found.share(sum(one.count for one in found.top))
    what = "share of the ten most frequent alarms"
    yield Figure(key="top_ten_share", what=what, value=share, form=Form.PART, target=TOP_TEN)
    standing = max(day.standing for day in found.days)
    for key, what, count, target in (
        ("chattering", "alarms that chatter (3 or more in 1 min)", len(found.chattering), NONE_AT_ALL),
        ("fleeting", "alarms that are fleeting (back within 1 min, nobody acted)", len(found.fleeting), NONE_AT_ALL),
        ("standing", "standing alarms (active for over 24 h), most on a day", standing, STANDING),
    ):
        yield Figure(key=key, what=what, value=_known(found, count), target=target)


def _shares(found: Review) -> Iterator[Figure]:
    for priority, target in SHARES.items():
        name = priority.value
        yield Figure(
            key=f"share_{name.lower()}",
            what=f"share of {name} among annunciations",
            value=found.share(found.priorities.get(name, 0)),
            form=Form.PART,
            target=target,
        )


def _answers(found: Review) -> Iterator[Figure]:
    everything = found.answering[0]
    for key, what, part in (
        ("time_to_acknowledge_median", "time to acknowledge, median", MEDIAN),
        ("time_to_acknowledge_90", "time to acknowledge, 90% within", NINE_OF_TEN),
    ):
        yield Figure(key=key, what=what, value=everything.quantile_ms(part), form=Form.DURATION)
    yield Figure(key="never_acknowledged", what="annunciations never acknowledged", value=everything.never)


def _hidden(found: Review) -> Iterator[Figure]:
    shelved = next(one for one in found.hiding if one.how is Hidden.SHELVED)
    yield Figure(key="shelved_peak", what="alarms shelved at once, most", value=shelved.most, target=SHELVED)
    unheard = sum(one.count for one in found.unheard)
    yield Figure(key="hidden_annunciations", what="annunciations that were hidden", value=unheard)
    yield Figure(key="hiding_refused", what="requests to hide that were refused", value=found.refused)
