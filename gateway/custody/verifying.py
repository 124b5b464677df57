"""Whether a record is what was written: a stopped one table by table, a running one as it is handed out.

The database of a running process is never opened: its journal and samples come
over the local socket and are checked here, octet by octet, the chain from its
first line. What is not handed out is left unchecked, and that is said.
"""

import hashlib
import zlib
from collections.abc import Mapping
from pathlib import Path

from gateway.local.client import FieldClient
from gateway.local.messages import ChunkHeader, entries_of
from gateway.replay.stopped import RecordUnreadable
from gateway.store import journal, sample_log, wholeness
from gateway.store.chunk import columns_of
from gateway.store.database import locked, unlocked
from gateway.store.errors import ChunkDamaged, StoreError
from gateway.store.findings import Fault, Finding
from gateway.store.journal import Head
from gateway.store.wholeness import Part, Whole


def verify_stopped(database: Path, known: Mapping[int, bytes]) -> Whole:
    """Check the record of a stopped site, or a copy of it.

    Args:
        database: the plant's store.
        known: journal hashes by number that were noted outside.

    Raises:
        RecordUnreadable: the site is running, or there is no record, or the disk does not let it be read.
    """
    try:
        with locked(database):
            files, closed = wholeness.files_part(database)  # before SQLite has the file: see ``store.database``
            with unlocked(database) as reader:
                found = wholeness.check(reader, database, known=known)
    except (StoreError, OSError) as error:
        raise RecordUnreadable(str(error)) from error
    return Whole(parts=(files, *found.parts), head=found.head, closed=closed)


async def verify_running(field: FieldClient, known: Mapping[int, bytes]) -> Whole:
    """Check what a running field process hands out: the whole journal and every chunk of samples.

    Args:
        field: connected.
        known: journal hashes by number that were noted outside.

    Raises:
        FieldError: it does not answer, or not any more.
    """
    lines, samples = _Lines(known), _Samples()
    for stream, check in ((journal.STREAM, lines), (sample_log.STREAM, samples)):
        n, newest_n = 0, 1
        while n < newest_n:
            part = await field.history(stream, n, field.hello.store)
            newest_n = part.newest_n if n == 0 else newest_n  # what comes meanwhile is for the next time
            if part.gap:
                check.gap(n, part.gap)
            for header, body in part.chunks:
                check.take(header, body)
            if not part.chunks:
                break
            n = part.chunks[-1][0].last_n
        check.finish(n, newest_n)
    return Whole(parts=(lines.part(), samples.part()), head=lines.head)


class _Lines:
    """The chain, computed from the first line on."""

    def __init__(self, known: Mapping[int, bytes]) -> None:
        self.head = Head()
        self._known = dict(known)
        self._findings: list[Finding] = []

    def gap(self, n: int, why: str) -> None:
        self._findings.append(Finding(fault=Fault.DELETED, n=n + 1, text=why))

    def take(self, header: ChunkHeader, body: bytes) -> None:
        octets = body.split(b"\n")
        for entry, line in zip(entries_of(body), octets, strict=True):
            self.head = Head(n=entry.n, hash=hashlib.sha256(self.head.hash + line).digest())
            noted = self._known.pop(entry.n, None)
            if noted not in (None, self.head.hash):
                text = f"entry {entry.n}: its hash is not the one noted outside, so 1 to {entry.n} were rewritten"
                self._findings.append(Finding(fault=Fault.EDITED, n=entry.n, text=text))
        if zlib.crc32(body) != header.checksum:
            text = f"entries {header.first_n} to {header.last_n} do not match their checksum"
            self._findings.append(Finding(fault=Fault.DAMAGED, n=header.first_n, text=text))

    def finish(self, n: int, newest_n: int) -> None:
        if n < newest_n:
            self.gap(n, f"entries {n + 1} to {newest_n} are damaged and not handed out")
        for noted in sorted(self._known):
            text = f"entry {noted} was noted outside and is not there"
            self._findings.append(Finding(fault=Fault.TRUNCATED, n=noted, text=text))

    def part(self) -> Part:
        return Part(
            name="journal", checked=f"{self.head.n} lines, chained from the first", findings=tuple(self._findings)
        )


class _Samples:
    """Every chunk: its checksum, that it can be unpacked, and its place in the order."""

    def __init__(self) -> None:
        self._findings: list[Finding] = []
        self._chunks = self._samples = self._run = 0

    def gap(self, n: int, why: str) -> None:
        if n and "never recorded" not in why:
            self._findings.append(Finding(fault=Fault.DELETED, n=n + 1, text=why))

    def take(self, header: ChunkHeader, body: bytes) -> None:
        self._chunks += 1
        self._samples += header.last_n - header.first_n + 1
        try:
            columns_of(header, body)
        except ChunkDamaged as error:
            self._findings.append(Finding(fault=Fault.DAMAGED, n=header.first_n, text=str(error)))
        if header.run < self._run:
            text = f"samples from {header.first_n} are of run {header.run}, after run {self._run}; runs only grow"
            self._findings.append(Finding(fault=Fault.INSERTED, n=header.first_n, text=text))
        self._run = header.run

    def finish(self, n: int, newest_n: int) -> None:
        if n < newest_n:
            text = f"samples {n + 1} to {newest_n} are damaged and not handed out"
            self._findings.append(Finding(fault=Fault.DAMAGED, n=n + 1, text=text))

    def part(self) -> Part:
        return Part(
            name="samples",
            checked=f"{self._samples} samples in {self._chunks} chunks",
            findings=tuple(self._findings),
        )
