"""What the direct gear decides and reads, in a store like that of a running site, so that it can be asked like one.

Readings and calculated values in chunks as housekeeping leaves them, every
event a line of the journal. Nothing waits for a commit, and decides nothing.
"""

from functools import partial
from pathlib import Path

from gateway.assembly.direct_gear import DirectGear, Told
from gateway.configuration.plant import LoadedSite
from gateway.core.sample import Sample
from gateway.core.tick import Tick
from gateway.field.calculated_samples import CalculatedSamples
from gateway.field.recording import storable
from gateway.local.messages import JournalEntry
from gateway.store import journal, machine_state, sample_log
from gateway.store.database import Database, Transaction
from gateway.store.migrations import PLANT
from gateway.store.sample_log import SampleRow, ScanTick
from gateway.store.scan_state import to_bytes

_JOINED_MS = 300_000
_WAIT_S = 60.0
_RUN = 1


class DirectRecord:
    """The store of one run; ``tell`` takes its events, ``take`` is called after each step, ``close`` at its end.

    Args:
        loaded: the site, in whose storage folder the store is made.
        utc_ms: of the start.

    Raises:
        StoreError: the store is there and cannot be opened.
    """

    def __init__(self, loaded: LoadedSite, *, utc_ms: int) -> None:
        self._configuration = loaded.hash
        self._database = Database(file_of(loaded), PLANT, utc_ms=utc_ms)
        self._calculated = CalculatedSamples(loaded.plant.calculated)
        self._entries: list[JournalEntry] = []
        self._rows: list[SampleRow] = []
        self._scans: list[ScanTick] = []
        self._n = self._entry_n = 0
        self._due_ms = 0
        self._scan = 0

    def tell(self, told: Told) -> None:
        """An event for the journal."""
        event, tick = told.event, told.tick
        self._entry_n += 1
        self._entries.append(
            JournalEntry(
                n=self._entry_n,
                run=_RUN,
                scan=self._scan,
                monotonic_ms=tick.monotonic_ms,
                utc_ms=tick.utc_ms,
                utc_trusted=tick.utc_trusted,
                kind=event.kind.value,
                subject=event.subject,
                occurrence=event.occurrence,
                reason=event.reason,
                person=event.person,
                facts={name: storable(fact) for name, fact in event.facts.items()},
                configuration=self._configuration,
            )
        )

    def take(self, gear: DirectGear) -> None:
        """What a step has read and calculated."""
        now = gear.state.tick
        self._scan = gear.state.scan
        self._scans.append(ScanTick(scan=self._scan, tick=now))
        for one in gear.arrivals:
            if isinstance(one, Sample):
                self._row(one)
        for sample in self._calculated.due(gear.outcome.verdicts, now):
            self._row(sample)
        if now.monotonic_ms >= self._due_ms:
            self._due_ms = now.monotonic_ms + _JOINED_MS
            self._commit(gear, now)

    def close(self, gear: DirectGear) -> None:
        """Commit what is left."""
        self._commit(gear, gear.state.tick)
        self._database.close(_WAIT_S)

    def _row(self, sample: Sample) -> None:
        self._n += 1
        self._rows.append(SampleRow(n=self._n, scan=self._scan, sample=sample))

    def _commit(self, gear: DirectGear, now: Tick) -> None:
        work = partial(self._write, rows=self._rows, scans=self._scans, entries=self._entries, gear=gear, now=now)
        self._database.submit(work).result(_WAIT_S)
        self._rows, self._scans, self._entries = [], [], []

    def _write(
        self,
        transaction: Transaction,
        *,
        rows: list[SampleRow],
        scans: list[ScanTick],
        entries: list[JournalEntry],
        gear: DirectGear,
        now: Tick,
    ) -> None:
        journal.append(transaction, entries)
        if rows:
            sample_log.append(transaction, *sample_log.pack(rows, scans, run=_RUN, configuration=self._configuration))
        saved = machine_state.Saved(
            state=to_bytes(gear.state), tick=now, boot_id="direct", run=_RUN, configuration=self._configuration
        )
        machine_state.save(transaction, saved)


def file_of(loaded: LoadedSite) -> Path:
    """Where the store of a site lies."""
    return loaded.resolve(loaded.site.place.storage_folder) / "plant.db"
