"""Once a day a line of the journal that stands for all samples of the day before: their hash, and that of the journal.

The line is chained like every other and goes to the office with them; so a
record that somebody rewrites as a whole no longer fits what has left the site.
Reads a little at a time, samples that are settled, and never in front of
anything.
"""

from gateway.core.outcome import Event, EventKind, Fact
from gateway.store import journal, sample_log
from gateway.store.database import Database
from gateway.store.sample_digest import SampleDigest, newest_sealed_n

_DAY_MS = 86_400_000
_PIECE_BYTES = 262_144  # of chunks at a time: some hundred thousand samples, a fraction of a second


class Sealing:
    """Goes along the samples; ``step`` is called now and then, in a thread.

    Args:
        database: the plant's store.
    """

    def __init__(self, database: Database) -> None:
        self._database = database
        self._digest: SampleDigest | None = None
        self._day = 0

    def step(self, *, now_utc_ms: int, settled_utc_ms: int) -> Event | None:
        """Go on with what is settled; on a new UTC day the line for the journal. Blocks while it reads.

        Args:
            now_utc_ms: the wall clock.
            settled_utc_ms: samples of chunks that end after this are left for later.

        Raises:
            StoreError: the store cannot be read now.
        """
        day = now_utc_ms // _DAY_MS
        with self._database.reader() as reader:
            if self._digest is None:
                self._digest, self._day = SampleDigest(newest_sealed_n(reader)), day
            for header, body in sample_log.read_after(reader, self._digest.last_n, _PIECE_BYTES):
                if header.last_utc_ms >= settled_utc_ms:
                    break
                self._digest.take(header, body)
            head = journal.newest(reader)
        if day == self._day or self._digest.last_n < self._digest.first_n:
            return None
        done, self._digest, self._day = self._digest, SampleDigest(self._digest.last_n), day
        facts: dict[str, Fact] = {
            "first_n": done.first_n,
            "last_n": done.last_n,
            "sha256": done.hex,
            "journal_n": head.n,
            "journal_sha256": head.hash.hex(),
        }
        return Event(kind=EventKind.RECORD_SEALED, facts=facts)
