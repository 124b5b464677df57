"""The scan loop: freeze, decide, act, record, tell. In this order, every scan period, whatever else is slow.

Towards safe the outputs are told first; what moves away from safe they adopt
only when the record is committed. Nothing in a pass waits: acting, recording
and telling are hand-overs to tasks of their own.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace

from gateway.core.entering import overdue
from gateway.core.outcome import Event, EventKind, Outcome
from gateway.core.request import Answer
from gateway.core.scan import Moment, scan
from gateway.core.state import Rules, ScanState
from gateway.core.tick import Tick
from gateway.field.actuation import Actuation
from gateway.field.calculated_samples import CalculatedSamples
from gateway.field.clock import Clock
from gateway.field.image import InputImage
from gateway.field.polling import Poller
from gateway.field.recording import Recorder
from gateway.local.messages import JournalEntry

_log = logging.getLogger(__name__)

Tell = Callable[[ScanState, Outcome, Sequence[JournalEntry]], None]


class Scanner:
    """Runs the decisions; ``run`` is its task.

    Args:
        rules: of the site.
        state: to begin with.
        beginnings: events of the start, journaled with the first scan.
        image: what has arrived.
        clock: plant time.
        period_ms: from one scan to the next.
        actuation: told the levels; None where nothing is written.
        pollers: told what to hurry.
        recorder: told everything.
        tell: the live feed; must return at once.
        answer: called with each answer and the scan that gave it.
    """

    def __init__(
        self,
        *,
        rules: Rules,
        state: ScanState,
        beginnings: Sequence[Event],
        image: InputImage,
        clock: Clock,
        period_ms: int,
        actuation: Actuation | None,
        pollers: Sequence[Poller],
        recorder: Recorder,
        tell: Tell,
        answer: Callable[[Answer, int], None],
    ) -> None:
        self.rules = rules
        self.state = state
        self.outcome = Outcome(
            levels={name: one.level for name, one in state.outputs.items()}, writes=state.commissioned is not None
        )
        self._unsaid = list(beginnings)
        self._image = image
        self._clock = clock
        self._period_ms = period_ms
        self._actuation = actuation
        self._pollers = pollers
        self._recorder = recorder
        self._tell = tell
        self._answer = answer
        self._calculated = CalculatedSamples(rules.plant.calculated)
        self._hurried: frozenset[str] = frozenset()
        self.late = 0  # scans that began more than a period after they were due

    async def run(self) -> None:
        """Scan until cancelled, on a grid of the period; a scan that is missed is not made up for."""
        due_ms = self._clock.now().monotonic_ms
        while True:
            await self._clock.sleep_until(due_ms)
            self.once(due_ms)
            now_ms = self._clock.now().monotonic_ms
            missed = max(0, (now_ms - due_ms) // self._period_ms)
            if missed:
                self.late += 1
                self._clock.scanned(now_ms)  # else a simulated plant waits for a scan that waits for its next second
            due_ms += (missed + 1) * self._period_ms

    def once(self, due_ms: int | None = None) -> None:
        """One pass; told when it was due, it decides as of then, so that a delay of so many periods takes no more."""
        now = self._clock.now()
        tick = now if due_ms is None else _as_of(now, due_ms, at_most_ms=self._period_ms // 2)
        arrivals = self._image.take()
        self.state, self.outcome = scan(self.rules, self.state, Moment(tick=tick, arrivals=arrivals))
        self._act(self.outcome)
        events = (*self._unsaid, *self.outcome.events)
        self._unsaid.clear()
        entries = self._recorder.note(self.state, self._image.taken, events, self._image.taken_others)
        for one in self.outcome.answers:
            self._answer(_numbered(one, entries), self.state.scan)
        self._tell(self.state, self.outcome, entries)
        for sample in self._calculated.due(self.outcome.verdicts, tick):
            self._image.put(sample)
        self._clock.scanned(now.monotonic_ms)

    def checks_overdue(self) -> dict[str, int]:
        """Instruments whose check is overdue, and since when; 0 for one of which none is on record."""
        return overdue(self.rules.plant.entries, self.state.checked, self.state.tick.utc_ms)

    def journal(self, event: Event) -> None:
        """Have something of the process itself journaled with the next scan."""
        self._unsaid.append(event)

    def _act(self, outcome: Outcome) -> None:
        if self._actuation is not None:
            self._actuation.adopt(self.state.scan, outcome)
        if outcome.hurried != self._hurried:
            self._hurried = outcome.hurried
            for poller in self._pollers:
                poller.hurry(self._hurried)


def _numbered(answer: Answer, entries: Sequence[JournalEntry]) -> Answer:
    """The answer with the numbers under which what was entered stands in the journal."""
    numbers = tuple(
        one.n for one in entries if one.kind == EventKind.ENTERED.value and one.facts.get("request") == answer.request
    )
    return replace(answer, numbers=numbers) if numbers else answer


def _as_of(now: Tick, due_ms: int, *, at_most_ms: int) -> Tick:
    """The instant a little before now at which the scan was due; now itself where that is longer ago."""
    late_ms = now.monotonic_ms - due_ms
    if not 0 < late_ms <= at_most_ms:
        return now
    return replace(now, monotonic_ms=due_ms, utc_ms=now.utc_ms - late_ms)
