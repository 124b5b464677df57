"""Journals to be reviewed, written as tables of instants, kinds and alarms."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta, tzinfo

from msgspec.structs import replace

from gateway.core.alarm import AlarmRule, AlarmText, Priority
from gateway.core.condition import Equals
from gateway.local.messages import JournalEntry
from gateway.reports.alarm_review import Review, Reviewed, review

PRIORITIES = {"A": Priority.P1, "B": Priority.P2, "C": Priority.P3}
FIRST = datetime(2025, 2, 1, tzinfo=UTC)
BOOTED_BEFORE_MS = 1_000_000

Facts = Mapping[str, str | int | float | bool]


def ms(text: str) -> int:
    """An instant such as ``1 10:00:05``: day of February 2025, and time of day UTC."""
    day, _, time_of_day = text.partition(" ")
    at = datetime.strptime(time_of_day, "%H:%M:%S").replace(tzinfo=UTC)
    since_midnight = timedelta(hours=at.hour, minutes=at.minute, seconds=at.second)
    return round((FIRST + timedelta(days=int(day) - 1) + since_midnight).timestamp() * 1_000)


class Journal:
    """A journal that grows line by line."""

    def __init__(self) -> None:
        self.entries: list[JournalEntry] = []
        self._run = 0
        self._booted_ms = 0
        self._occurrences: dict[str, int] = {}

    def start(
        self, at_ms: int, *, state: str = "resumed", configuration: str = "one", facts: Facts | None = None
    ) -> "Journal":
        """A run begins."""
        self._run += 1
        self._booted_ms = at_ms - BOOTED_BEFORE_MS * self._run
        self._configuration = configuration
        return self.line(at_ms, "start", facts={"state": state, **(facts or {})})

    def clock_step(self, at_ms: int, by_ms: int) -> "Journal":
        """The wall clock is set, ``at_ms`` being the right time; what came before in this run bore a wrong one."""
        self.entries = [
            replace(entry, utc_ms=entry.utc_ms - by_ms) if entry.run == self._run else entry for entry in self.entries
        ]
        return self.line(at_ms, "clock_step", facts={"by_s": by_ms // 1_000})

    def line(
        self,
        at_ms: int,
        kind: str,
        subject: str = "",
        *,
        occurrence: int | None = None,
        reason: str = "",
        trusted: bool = True,
        facts: Facts | None = None,
    ) -> "Journal":
        """One more line. An ALARM takes the next occurrence of its alarm, the others the newest."""
        if kind == "alarm":
            self._occurrences[subject] = occurrence or self._occurrences.get(subject, 0) + 1
            facts = {"priority": PRIORITIES.get(subject, Priority.P3).value, **(facts or {})}
        self.entries.append(
            JournalEntry(
                n=len(self.entries) + 1,
                run=self._run,
                scan=len(self.entries) + 1,
                monotonic_ms=at_ms - self._booted_ms,
                utc_ms=at_ms,
                utc_trusted=trusted,
                kind=kind,
                subject=subject,
                occurrence=self._occurrences.get(subject, 0) if occurrence is None else occurrence,
                reason=reason,
                facts=dict(facts or {}),
                configuration=self._configuration,
            )
        )
        return self


def journal(*lines: tuple[str, str, str]) -> Journal:
    """A journal of one run from the first midnight on, with these lines: instant, kind, alarm."""
    written = Journal().start(ms("1 00:00:00"))
    for at, kind, subject in lines:
        written.line(ms(at), kind, subject)
    return written


def rule(name: str, priority: Priority, says: str = "") -> AlarmRule:
    text = AlarmText(says=says or f"{name} says so", cause="", consequence="", action="", respond_within_ms=0)
    return AlarmRule(id=name, condition=Equals(tag="T"), priority=priority, text=text)


def site(zone: tzinfo = UTC, alarms: Iterable[AlarmRule] | None = None) -> Reviewed:
    rules = [rule(name, priority) for name, priority in PRIORITIES.items()] if alarms is None else alarms
    return Reviewed(id="plant", name="The <Plant>", zone=zone, alarms={one.id: one for one in rules})


def days(
    written: Journal,
    first: int = 1,
    last: int = 1,
    *,
    until: str = "28 00:00:00",
    reviewed: Reviewed | None = None,
) -> Review:
    """The review of days of February 2025."""
    return review(
        reviewed or site(),
        written.entries,
        first=(FIRST + timedelta(days=first - 1)).date(),
        last=(FIRST + timedelta(days=last - 1)).date(),
        until_utc_ms=ms(until) if until else 0,
    )
