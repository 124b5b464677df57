"""The lines of a journal on one axis of time, and when the gateway ran. Pure.

Durations are the running clock's and dates the wall clock's: each run of the
gateway is laid on the wall clock as a whole, as that stood at the run's last
line with a trusted clock. A step of the wall clock so moves a whole run and
neither makes a flood nor hides one. Between runs there is the wall clock only.

Decides nothing about alarms. What it cannot know it tells: lines that are
gone, clocks that were not trusted, runs that ended without a word.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import groupby, pairwise

from gateway.core.outcome import EventKind
from gateway.local.messages import JournalEntry
from gateway.reports.spans import Span, united, without

LAST_SAVED = "last_saved_utc_ms"  # fact of a start: until when the run before it is known to have lived


class Ended(Enum):
    """How a run of the gateway ended."""

    STOPPED = "it was stopped"
    WITHOUT_STOP = "it ended without a stop"
    NOT_YET = "the record ends here"


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A line of the journal and its instant."""

    at_ms: int
    entry: JournalEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One run of the gateway.

    Args:
        number: of the run.
        span: from its first line until it is known to have lived.
        ended: how.
        trusted: whether its clock was, by its end.
        steps: how often its wall clock was set.
    """

    number: int
    span: Span
    ended: Ended
    trusted: bool
    steps: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Part of a period in which the gateway is not known to have run."""

    span: Span
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """A whole journal.

    Args:
        lines: in order of their instants.
        runs: in order of their numbers in the journal.
        missing: first and last number of lines that are gone or damaged.
    """

    lines: tuple[Placed, ...] = ()
    runs: tuple[Run, ...] = ()
    missing: tuple[tuple[int, int], ...] = ()

    @property
    def end_ms(self) -> int:
        """The newest instant that anything is known of."""
        return max((run.span[1] for run in self.runs), default=0)

    def running(self) -> list[Span]:
        """When the gateway ran."""
        return united(run.span for run in self.runs)

    def gaps(self, period: Span) -> tuple[Gap, ...]:
        """When within a period it is not known to have run, and why."""
        return tuple(Gap(span=span, why=self._why(span)) for span in without(period, self.running()))

    def _why(self, span: Span) -> str:
        before = [run for run in self.runs if run.span[1] <= span[0]]
        if not self.runs:
            return "there is no record"
        if not before:
            return "the record begins later"
        return max(before, key=lambda run: run.span[1]).ended.value


def timeline(entries: Sequence[JournalEntry], *, until_utc_ms: int) -> Timeline:
    """Lay the lines of a journal on one axis.

    Args:
        entries: the whole journal, in the order of their numbers.
        until_utc_ms: until when the newest run is known to have lived; 0 when nothing is known beside its lines.
    """
    runs = [list(group) for _, group in groupby(entries, key=lambda entry: entry.run)]
    placed = [_placed(run) for run in runs]
    return Timeline(
        lines=tuple(sorted((line for run in placed for line in run), key=lambda line: line.at_ms)),
        runs=tuple(_run(run, after, until_utc_ms) for run, after in zip(placed, [*placed[1:], []], strict=False)),
        missing=tuple(_missing(entries)),
    )


def _placed(run: Sequence[JournalEntry]) -> list[Placed]:
    known = next((entry for entry in reversed(run) if entry.utc_trusted), run[-1])
    ahead_ms = known.utc_ms - known.monotonic_ms
    return [Placed(at_ms=entry.monotonic_ms + ahead_ms, entry=entry) for entry in run]


def _run(run: Sequence[Placed], after: Sequence[Placed], until_utc_ms: int) -> Run:
    first, last = run[0], run[-1]
    end_ms, ended = last.at_ms, Ended.STOPPED
    if last.entry.kind != EventKind.STOP.value:
        end_ms, ended = (
            max(last.at_ms, _lived_until(after, until_utc_ms)),
            Ended.WITHOUT_STOP if after else Ended.NOT_YET,
        )
    return Run(
        number=first.entry.run,
        span=(first.at_ms, end_ms),
        ended=ended,
        trusted=any(line.entry.utc_trusted for line in run),
        steps=sum(line.entry.kind == EventKind.CLOCK_STEP.value for line in run),
    )


def _lived_until(after: Sequence[Placed], until_utc_ms: int) -> int:
    """What the next start, or whoever asks now, knows of the end of a run that has not told it."""
    if not after:
        return until_utc_ms
    saved = after[0].entry.facts.get(LAST_SAVED, 0)
    return min(int(saved), after[0].at_ms) if isinstance(saved, int) else 0


def _missing(entries: Sequence[JournalEntry]) -> Iterator[tuple[int, int]]:
    if entries and entries[0].n > 1:
        yield 1, entries[0].n - 1
    for before, after in pairwise(entries):
        if after.n != before.n + 1:
            yield before.n + 1, after.n - 1
