"""When readings did not keep to a figure of the permit: when, how far, how long, delivered or not, why. Pure.

Every spell of single readings is told, also one that a limit allows for a part of the day; whether the limit was
kept is judged in ``compliance``. Spells less than ``APART_MS`` apart are one; only the time beyond the figure counts.
What was delivered of it is the water that left by the product valve, followed from the instrument as far as the
record says how much lies between.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from gateway.configuration.schema.permit import Limit
from gateway.core.entry import TelephoneNotice, in_force
from gateway.core.outcome import EventKind
from gateway.local.messages import JournalEntry
from gateway.records.day import Day, Given, common, pieces_of
from gateway.records.series import Piece, Span, State, within
from gateway.records.windows import window_ms
from gateway.reports.failures import Failure, failures
from gateway.treatment.limits import exceeds

APART_MS = 300_000
LOW = frozenset({"min", "min_at_all_times"})
HIGH = frozenset({"max", "max_any_time", "time_above", "time_above_continuous"})
_NEAR_MS = 60_000
_SPIKE_MS = 30_000
_TRIPS_AFTER_MS = 600_000  # the longest delay of an interlock, with which it follows the reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Exceedance:
    """One spell.

    Args:
        limit_name: of the limit.
        limit: itself.
        tag: of the instrument.
        span: from the first reading beyond the figure to the end of the last.
        beyond_ms: of that, time beyond it.
        worst: reading, and whether it was clipped there.
        worst_ms: when it was.
        clipped: the worst was at the end of the instrument's span.
        delivered: of the time beyond, what was delivered.
        cause: interlocks that tripped, and what people entered as cause.
        action: corrective actions that people entered.
        notice: the call, where one was entered.
        due_ms: until when a call was due; None where nothing was delivered, or for a short spike.
    """

    limit_name: str
    limit: Limit
    tag: str
    span: Span
    beyond_ms: int
    worst: float
    worst_ms: int
    clipped: bool
    delivered: tuple[Span, ...]
    cause: str
    action: str
    notice: TelephoneNotice | None
    due_ms: int | None

    @property
    def delivered_ms(self) -> int:
        """Time beyond the figure for which water was delivered."""
        return sum(end - begin for begin, end in self.delivered)


def exceedances(given: Given, days: Sequence[Day], within_min: float) -> list[Exceedance]:
    """All of a period, in the order in which they began.

    Args:
        given: what the record is made of.
        days: of the period.
        within_min: minutes within which delivery beyond a limit is told by telephone.
    """
    told = _Told(given, within_min)
    found = [one for name, versions in given.limits.items() for limit in versions for one in told.of(name, limit, days)]
    return sorted(found, key=lambda one: (one.span, one.limit_name))


class _Told:
    """What is asked of each spell beside its readings."""

    def __init__(self, given: Given, within_min: float) -> None:
        self._given = given
        self._within_ms = round(within_min * 60_000)
        self._failures = failures(given.journal)
        self._tags = {one.subject: str(one.facts.get("tag", "")) for one in given.journal if one.kind == _ALARM}
        self._notices = in_force([one for one in given.entries if isinstance(one, TelephoneNotice)])

    def of(self, name: str, limit: Limit, days: Sequence[Day]) -> Iterator[Exceedance]:
        """The spells of one limit."""
        given = self._given
        mine = [day for day in days if given.limits_on(day.day, limit.parameter).get(name) == limit]
        quantity = next((key for key, one in given.record.quantities.items() if one.parameter == limit.parameter), None)
        if quantity is None or limit.limit is None or limit.statistic not in LOW | HIGH or not mine:
            return
        least_ms = window_ms(limit.window) or 0 if limit.statistic == "time_above_continuous" else 0
        keys = given.record.quantities[quantity]
        required = [span for day in mine for span in required_of(day, keys.during)]
        delivering = [span for day in mine for span in day.left[quantity]]
        whole = mine[0].span[0], min(mine[-1].span[1], given.as_of_ms)
        pieces = list(within(pieces_of(given, keys, whole), required))
        for spell in spells_beyond(pieces, limit):
            if spell[-1][1] - spell[0][0] > least_ms:
                yield self._one(name, limit, keys.tag, spell, delivering)

    def _one(self, name: str, limit: Limit, tag: str, spell: Sequence[Piece], delivering: Sequence[Span]) -> Exceedance:
        span = spell[0][0], spell[-1][1]
        worst = (min if limit.statistic in LOW else max)(spell, key=lambda one: one[2])
        delivered = tuple(common([(begin, end) for begin, end, *_ in spell], delivering))
        mine = [one for one in self._failures if self._tags.get(one.alarm) == tag and _touch(one, span)]
        causes = [*_trips(self._given.journal, span), *(each.text for one in mine for each in one.causes)]
        return Exceedance(
            limit_name=name,
            limit=limit,
            tag=tag,
            span=span,
            beyond_ms=sum(end - begin for begin, end, *_ in spell),
            worst=worst[2],
            worst_ms=worst[0],
            clipped=worst[3] in {State.OVER, State.UNDER},
            delivered=delivered,
            cause="; ".join(dict.fromkeys(causes)),
            action="; ".join(dict.fromkeys(each.text for one in mine for each in one.actions)),
            notice=next((one for one in self._notices if _about(one, span)), None),
            due_ms=delivered[0][0] + self._within_ms if delivered and not is_spike(spell) else None,
        )


_ALARM = EventKind.ALARM.value


def is_spike(spell: Sequence[Piece]) -> bool:
    """Whether a spell is nothing but readings marked as suspect, for no longer than a bubble or two."""
    suspect = all(state == State.SUSPECT for *_, state in spell)
    return suspect and sum(end - begin for begin, end, *_ in spell) <= _SPIKE_MS


def required_of(day: Day, during: str) -> Sequence[Span]:
    """When a quantity had to be measured."""
    return day.producing if during == "producing" else common(day.producing, day.delivering)


def beyond(limit: Limit, value: float) -> bool:
    """Whether one reading does not keep to the figure of a limit."""
    figure = limit.limit or 0.0
    return exceeds(figure, value) if limit.statistic in LOW else exceeds(value, figure)


def spells_beyond(pieces: Sequence[Piece], limit: Limit) -> Iterator[list[Piece]]:
    """The readings beyond a limit, those less than ``APART_MS`` apart together."""
    spell: list[Piece] = []
    for piece in pieces:
        if piece[3] > State.UNDER or not beyond(limit, piece[2]):
            continue
        if spell and piece[0] - spell[-1][1] >= APART_MS:
            yield spell
            spell = []
        spell.append(piece)
    if spell:
        yield spell


def _trips(journal: Sequence[JournalEntry], span: Span) -> Iterator[str]:
    until = span[1] + _TRIPS_AFTER_MS
    yield from (
        f"{one.subject} tripped"
        for one in journal
        if one.kind == EventKind.TRIP.value and span[0] - _NEAR_MS <= one.utc_ms <= until
    )


def _touch(failure: Failure, span: Span) -> bool:
    ended = failure.returned_utc_ms is None or failure.returned_utc_ms >= span[0] - _NEAR_MS
    return failure.onset_utc_ms <= span[1] + _TRIPS_AFTER_MS and ended


def _about(notice: TelephoneNotice, span: Span) -> bool:
    return span[0] - APART_MS <= notice.from_utc_ms <= span[1]
