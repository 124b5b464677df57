"""What became of every annunciation of a journal: returned, acknowledged, hidden, replaced, or still open. Pure.

An annunciation is an ALARM line. Occurrence numbers begin again when a start
finds no saved state, so a line belongs to the newest annunciation of its alarm
and only if it bears its number. What stands apart from it:

- *active* is one stretch from the annunciation until the alarm returns, is
  hidden or is reset, however often it calls again meanwhile;
- *hidden* is one stretch for each reason: shelved, suppressed, out of service.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field, replace
from enum import Enum

from gateway.core.outcome import EventKind
from gateway.reports.spans import Span
from gateway.reports.timeline import Placed, Timeline

_RESUMED = "resumed"  # what a start says of the saved state when it goes on with it


class End(Enum):
    """What ended an annunciation, as far as the record goes."""

    OPEN = "open"
    RETURNED = "returned"
    RESET = "reset"
    HIDDEN = "hidden"
    REPLACED = "replaced"  # by a newer annunciation of the same alarm
    FORGOTTEN = "forgotten"  # a start knew nothing of it any more


@dataclass(frozen=True, slots=True, kw_only=True)
class Annunciation:
    """One ALARM line and what became of it.

    Args:
        alarm: its id.
        occurrence: its number.
        priority: P1, P2 or P3, as it was then.
        at_ms: when.
        acked_ms: when somebody acknowledged it; None as long as nobody has.
        returned_ms: when it returned to normal, seen by people; None as long as it has not.
        end: what ended it for whoever had to acknowledge it.
    """

    alarm: str
    occurrence: int
    priority: str
    at_ms: int
    acked_ms: int | None = None
    returned_ms: int | None = None
    end: End = End.OPEN

    @property
    def acknowledgeable(self) -> bool:
        """Whether it still waits for an acknowledgement."""
        return self.acked_ms is None and self.end in (End.OPEN, End.RETURNED)


class Hidden(Enum):
    """Why an alarm is not heard."""

    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out of service"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """An alarm was active, or hidden, for so long; an open one ends with the record."""

    alarm: str
    span: Span
    open: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """Everything a journal tells of its alarms.

    Args:
        annunciations: in order.
        active: stretches in which an alarm was active and not hidden.
        hidden: stretches for each reason to hide.
        unheard: instants and alarms of what would have been annunciated, had it not been hidden.
    """

    annunciations: tuple[Annunciation, ...]
    active: tuple[Stretch, ...]
    hidden: dict[Hidden, tuple[Stretch, ...]]
    unheard: tuple[tuple[int, str], ...]


_HIDES = {
    EventKind.SHELVE.value: Hidden.SHELVED,
    EventKind.SUPPRESS.value: Hidden.SUPPRESSED,
    EventKind.OUT_OF_SERVICE.value: Hidden.OUT_OF_SERVICE,
}
_SHOWS = {
    EventKind.UNSHELVE.value: Hidden.SHELVED,
    EventKind.UNSUPPRESS.value: Hidden.SUPPRESSED,
    EventKind.IN_SERVICE.value: Hidden.OUT_OF_SERVICE,
}


def story(line: Timeline, declared: Collection[str]) -> Story:
    """Follow every alarm through a journal.

    Args:
        line: the journal.
        declared: alarms that the site has today; another one that is open is forgotten at the next start with
            another configuration.
    """
    telling = _Telling(declared=declared)
    for placed in line.lines:
        telling.hear(placed)
    return telling.told(line.end_ms)


@dataclass(slots=True)
class _Open:
    """Stretches of one kind: those that have ended, and where the others began."""

    ended: list[Stretch] = field(default_factory=list)
    since: dict[str, int] = field(default_factory=dict)

    def begin(self, alarm: str, at_ms: int) -> None:
        self.since.setdefault(alarm, at_ms)

    def end(self, alarm: str, at_ms: int) -> None:
        if alarm in self.since:
            self.ended.append(Stretch(alarm=alarm, span=(self.since.pop(alarm), at_ms)))

    def all(self, end_ms: int) -> tuple[Stretch, ...]:
        still = (Stretch(alarm=alarm, span=(since, end_ms), open=True) for alarm, since in self.since.items())
        return tuple(sorted([*self.ended, *still], key=lambda one: (one.span, one.alarm)))


class _Telling:
    """What has been told so far, line by line."""

    def __init__(self, *, declared: Collection[str]) -> None:
        self._declared = declared
        self._configuration = ""
        self._annunciations: list[Annunciation] = []
        self._newest: dict[str, int] = {}  # alarm: place of its newest annunciation
        self._active = _Open()
        self._hidden = {how: _Open() for how in Hidden}
        self._unheard: list[tuple[int, str]] = []

    def hear(self, placed: Placed) -> None:
        """Take the next line."""
        kind, alarm, at_ms = placed.entry.kind, placed.entry.subject, placed.at_ms
        if kind == EventKind.ALARM.value:
            self._annunciated(placed)
        elif kind == EventKind.ACK.value:
            self._acknowledged(placed)
        elif kind == EventKind.RTN.value:
            self._returned(placed)
        elif kind == EventKind.RESET.value:
            self._over(alarm, at_ms, End.RESET)
        elif kind in _HIDES:
            self._hidden[_HIDES[kind]].begin(alarm, at_ms)
            self._over(alarm, at_ms, End.HIDDEN)
        elif kind in _SHOWS:
            self._hidden[_SHOWS[kind]].end(alarm, at_ms)
        elif kind == EventKind.HIDDEN_CHANGE.value and placed.entry.reason == EventKind.ALARM.value:
            self._unheard.append((at_ms, alarm))
        elif kind == EventKind.START.value:
            self._started(placed)

    def told(self, end_ms: int) -> Story:
        """All of it; what is open ends with the record."""
        return Story(
            annunciations=tuple(self._annunciations),
            active=self._active.all(end_ms),
            hidden={how: stretches.all(end_ms) for how, stretches in self._hidden.items()},
            unheard=tuple(self._unheard),
        )

    def _annunciated(self, placed: Placed) -> None:
        alarm = placed.entry.subject
        self._change(alarm, {End.OPEN, End.RETURNED}, End.REPLACED)
        self._newest[alarm] = len(self._annunciations)
        self._annunciations.append(
            Annunciation(
                alarm=alarm,
                occurrence=placed.entry.occurrence,
                priority=str(placed.entry.facts.get("priority", "")),
                at_ms=placed.at_ms,
            )
        )
        self._active.begin(alarm, placed.at_ms)

    def _acknowledged(self, placed: Placed) -> None:
        place = self._named(placed)
        if place is not None and self._annunciations[place].acknowledgeable:
            self._annunciations[place] = replace(self._annunciations[place], acked_ms=placed.at_ms)

    def _returned(self, placed: Placed) -> None:
        place = self._named(placed)
        if place is not None and self._annunciations[place].end is End.OPEN:
            self._annunciations[place] = replace(self._annunciations[place], returned_ms=placed.at_ms, end=End.RETURNED)
        self._active.end(placed.entry.subject, placed.at_ms)

    def _named(self, placed: Placed) -> int | None:
        """Place of the annunciation that a line names; None when it is not the newest of its alarm."""
        place = self._newest.get(placed.entry.subject)
        same = place is not None and self._annunciations[place].occurrence == placed.entry.occurrence
        return place if same else None

    def _over(self, alarm: str, at_ms: int, end: End) -> None:
        self._change(alarm, {End.OPEN, End.RETURNED}, end)
        self._active.end(alarm, at_ms)

    def _change(self, alarm: str, ends: Collection[End], end: End) -> None:
        place = self._newest.get(alarm)
        if place is not None and self._annunciations[place].end in ends:
            self._annunciations[place] = replace(self._annunciations[place], end=end)

    def _started(self, placed: Placed) -> None:
        """A start without the saved state knows of no alarm; another configuration may have dropped some."""
        before, self._configuration = self._configuration, placed.entry.configuration
        if placed.entry.facts.get("state", _RESUMED) != _RESUMED:
            self._forget([*self._active.since, *self._newest, *self._all_hidden()], placed.at_ms)
        elif before != self._configuration:
            known = [*self._active.since, *self._newest, *self._all_hidden()]
            self._forget([alarm for alarm in known if alarm not in self._declared], placed.at_ms)

    def _all_hidden(self) -> list[str]:
        return [alarm for one in self._hidden.values() for alarm in one.since]

    def _forget(self, alarms: Iterable[str], at_ms: int) -> None:
        for alarm in alarms:
            self._over(alarm, at_ms, End.FORGOTTEN)
            for one in self._hidden.values():
                one.end(alarm, at_ms)
