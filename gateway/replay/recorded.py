"""What a run was given, as moments, and what it decided on them, decided again.

A run is replayed from the state it began with through every scan of which the
record still holds the inputs. Decides nothing itself: it is ``core.scan`` that
decides, the very function that decided the first time.
"""

from collections import defaultdict, deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from gateway.core.outcome import Event
from gateway.core.scan import Arrival, Moment, scan
from gateway.core.state import Rules, ScanState
from gateway.local.messages import JournalEntry
from gateway.store.chunk import Contents, ScanTick


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """One event of a replay, and the scan that decided it."""

    scan: int
    event: Event


def moments(chunks: Iterable[Contents]) -> Iterator[tuple[int, Moment]]:
    """Every scan of a run with what it was given, in order.

    Args:
        chunks: the run's, in order and without a gap.
    """
    given: dict[int, list[tuple[int, int, Arrival]]] = defaultdict(list)
    ticks: deque[ScanTick] = deque()
    for chunk in chunks:
        for row in chunk.rows:
            given[row.scan].append((row.n, 0, row.sample))
        for place, one in enumerate(chunk.others, 1):
            given[one.scan].append((one.after_n, place, one.given))
        ticks.extend(chunk.scans)
        # The scan of the last sample may have more of them in the next chunk.
        while ticks and ticks[0].scan < chunk.rows[-1].scan:
            yield _moment(ticks.popleft(), given)
    while ticks:
        yield _moment(ticks.popleft(), given)


def _moment(tick: ScanTick, given: dict[int, list[tuple[int, int, Arrival]]]) -> tuple[int, Moment]:
    found = sorted(given.pop(tick.scan, []), key=lambda one: one[:2])
    return tick.scan, Moment(tick=tick.tick, arrivals=tuple(arrival for _, _, arrival in found))


def decide_again(rules: Rules, state: ScanState, given: Iterable[tuple[int, Moment]]) -> Iterator[Decided]:
    """Every event the same decisions make of the same moments.

    Args:
        rules: of the configuration the run was made under.
        state: it began with.
        given: from ``moments``.
    """
    for number, moment in given:
        state, outcome = scan(rules, state, moment)
        for event in outcome.events:
            yield Decided(scan=number, event=event)


def differs(entry: JournalEntry, decided: Decided) -> str:
    """What is different between a line of the journal and what was decided again; empty when nothing is."""
    event = decided.event
    pairs = {
        "scan": (entry.scan, decided.scan),
        "kind": (entry.kind, event.kind.value),
        "subject": (entry.subject, event.subject),
        "occurrence": (entry.occurrence, event.occurrence),
        "reason": (entry.reason, event.reason),
        "person": (entry.person, event.person),
        "facts": (entry.facts, dict(event.facts)),
    }
    return "; ".join(f"{name}: {then!r} then, {now!r} now" for name, (then, now) in pairs.items() if then != now)
