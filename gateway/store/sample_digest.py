"""One hash over many samples, the same however they lie in chunks, and from an export in plain text as well.

Joining chunks changes their octets, so they cannot be chained themselves. What
is hashed is what a sample says, a line each: its number, tag, moment (UTC, ISO
8601 with milliseconds), value with all digits, quality, reason and run,
between commas. Decides nothing about when.
"""

import hashlib
from collections.abc import Iterator
from datetime import UTC, datetime

from gateway.core.quality import Quality
from gateway.core.sample import NoNumber, Text
from gateway.local.messages import ChunkHeader, JournalEntry
from gateway.store import journal, sample_log
from gateway.store.chunk import Columns, Sort, columns_of
from gateway.store.database import Reader, rows
from gateway.store.findings import Fault, Finding

SEALED = "record_sealed"  # kind of the journal line that holds a digest
_PAGE_BYTES = 1_000_000


class SampleDigest:
    """The hash over samples from a number on.

    Args:
        after_n: the last sample before them.
    """

    def __init__(self, after_n: int) -> None:
        self.first_n = after_n + 1
        self.last_n = after_n
        self._hash = hashlib.sha256()

    def take(self, header: ChunkHeader, body: bytes, *, until_n: int | None = None) -> None:
        """Go on with a chunk, from the sample that is next.

        Args:
            header: of a chunk that holds the next sample, or a later one when some were never recorded.
            body: its body.
            until_n: no sample after this one; None for all of them.

        Raises:
            ChunkDamaged: it cannot be unpacked.
        """
        columns = columns_of(header, body)
        last_n = header.last_n if until_n is None else min(header.last_n, until_n)
        skipped, end = max(0, self.last_n + 1 - header.first_n), last_n - header.first_n + 1
        self._hash.update("".join(list(_lines(columns, header.run))[skipped:end]).encode())
        self.last_n = max(self.last_n, last_n)

    @property
    def hex(self) -> str:
        """The hash now, in hexadecimal."""
        return self._hash.hexdigest()


def utc_text(utc_ms: int) -> str:
    """ISO 8601 with milliseconds, without the Z."""
    second, ms = divmod(utc_ms, 1_000)
    return f"{datetime.fromtimestamp(second, UTC).isoformat()[:19]}.{ms:03d}"


def words_of(sort: Sort) -> tuple[str | None, str]:
    """What stands in the place of a number, None for the number itself; and quality with reason."""
    if isinstance(sort, NoNumber):
        return "", f"{Quality.BAD.value},{sort.reason.value}"
    if isinstance(sort, Text):
        return sort.text, f"{Quality.GOOD.value},ok"
    quality, reason = sort
    return None, f"{quality.value},{reason.value}"


def _lines(columns: Columns, run: int) -> Iterator[str]:
    sorts = [words_of(sort) for sort in columns.sorts]
    moments = {utc_ms: utc_text(utc_ms) for utc_ms in set(columns.utc_ms)}
    each = zip(columns.tags, columns.utc_ms, columns.sort, columns.values, strict=True)
    for n, (tag, utc_ms, place, value) in enumerate(each, columns.first_n):
        text, words = sorts[place]
        yield f"{n},{tag},{moments[utc_ms]}Z,{value if text is None else text},{words},{run}\n"


def newest_sealed_n(reader: Reader) -> int:
    """The last sample that a journal line holds the digest of; 0 when there is none."""
    for entry in _sealing_lines(reader, "DESC LIMIT 1"):
        return int(entry.facts["last_n"])
    return 0


def verify(reader: Reader) -> tuple[int, list[Finding]]:
    """Compare every digest in the journal with the samples, as far as they are still there.

    Returns:
        How many could be compared, and those that do not fit.
    """
    compared, findings = 0, []
    oldest_n = sample_log.oldest_n(reader)
    for entry in _sealing_lines(reader, ""):
        first_n, last_n = int(entry.facts["first_n"]), int(entry.facts["last_n"])
        if not oldest_n or first_n < oldest_n:
            continue  # forgotten since, in whole or in part
        compared += 1
        if _digest_of(reader, first_n, last_n) != entry.facts["sha256"]:
            text = f"samples {first_n} to {last_n} are not those that journal line {entry.n} holds the digest of"
            findings.append(Finding(fault=Fault.EDITED, n=first_n, text=text))
    return compared, findings


def _digest_of(reader: Reader, first_n: int, last_n: int) -> str:
    digest = SampleDigest(first_n - 1)
    while digest.last_n < last_n and (found := sample_log.read_after(reader, digest.last_n, _PAGE_BYTES)):
        for header, body in found:
            if header.first_n <= last_n:
                digest.take(header, body, until_n=last_n)
        if found[-1][0].last_n >= last_n:
            break
    return digest.hex


def _sealing_lines(reader: Reader, order: str) -> Iterator[JournalEntry]:
    wanted = f'"kind":"{SEALED}"'.encode()
    for (n,) in rows(reader, f"SELECT n FROM journal WHERE instr(entry, ?) > 0 ORDER BY n {order}", (wanted,)):  # noqa: S608 - one of two orders of ours
        yield from (one for one in journal.read_entries(reader, n - 1, 1) if one.n == n and one.kind == SEALED)
