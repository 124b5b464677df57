"""A bench whose decisions become lines of a journal, as the field process makes them."""

from gateway.core.outcome import Event, Outcome
from gateway.core.plant import Plant
from gateway.core.scan import Arrival
from gateway.local.messages import JournalEntry
from tests.core.plants import PLANT, Bench

CONFIGURATION = "c" * 64


class Journaled(Bench):
    """Keeps ``entries``; a delivering plant to begin with."""

    def __init__(self, plant: Plant = PLANT) -> None:
        self.entries: list[JournalEntry] = []
        super().__init__(plant)
        self.deliver()

    def scan(self, *arrivals: Arrival, after_ms: int = 1_000, polled: bool = True) -> Outcome:
        outcome = super().scan(*arrivals, after_ms=after_ms, polled=polled)
        self.entries += [self._line(n, event) for n, event in enumerate(outcome.events, len(self.entries) + 1)]
        return outcome

    def _line(self, n: int, event: Event) -> JournalEntry:
        return JournalEntry(
            n=n,
            run=1,
            scan=self.state.scan,
            monotonic_ms=self.monotonic_ms,
            utc_ms=self.utc_ms,
            utc_trusted=True,
            kind=event.kind.value,
            subject=event.subject,
            occurrence=event.occurrence,
            reason=event.reason,
            person=event.person,
            facts=dict(event.facts),
            configuration=CONFIGURATION,
        )
