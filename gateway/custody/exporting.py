"""A whole record as plain text, in a new folder, with a recipe by which anybody can check it.

Decides which files there are. Chunks and lines are written as they are read,
so that memory does not grow with the record. What the record does not hand
out, because it is damaged or was given up, is listed and never passed over. An
export that did not come to its end has no ``SHA256SUMS``.
"""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TextIO
from zoneinfo import ZoneInfo

from gateway.configuration.plant import LoadedSite
from gateway.configuration.reading import canonical_text
from gateway.custody.configuration_text import ConfigurationFiles, Fetch
from gateway.custody.readme import readme_text
from gateway.custody.sample_text import SampleFiles
from gateway.local.client import FieldClient
from gateway.local.messages import ChunkHeader
from gateway.replay.stopped import RecordUnreadable
from gateway.store import configurations, journal, sample_log
from gateway.store.database import Reader, offline
from gateway.store.errors import StoreError

SUMS = "SHA256SUMS"
_PAGE_BYTES = 1_000_000
_PIECE_BYTES = 1_048_576

Chunk = tuple[ChunkHeader, bytes]


class ExportRefused(Exception):  # noqa: N818 - named for what is the case
    """Nothing was exported, or not all; the text says why and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """Days of samples, UTC, both included; None leaves the end open."""

    first: date | None = None
    last: date | None = None

    def holds(self, day: date) -> bool:
        """Whether a day is in it."""
        return (self.first is None or day >= self.first) and (self.last is None or day <= self.last)


def export_stopped(database: Path, loaded: LoadedSite, into: Path, period: Period) -> str:
    """Export the record of a stopped site.

    Args:
        database: the plant's store.
        loaded: the site, for its name and zone.
        into: folder to make.
        period: days of samples; the journal is always whole.

    Returns:
        What was written, for a person.

    Raises:
        RecordUnreadable: the site is running, or there is no record.
        ExportRefused: the folder is there already, or cannot be written.
    """
    try:
        with offline(database) as reader:
            export = _Export(
                into,
                loaded,
                period,
                source="its stopped record",
                fetch=lambda name: configurations.fetch(reader, name),
            )
            _whole_record(reader, export)
            return export.finish()
    except StoreError as error:
        raise RecordUnreadable(str(error)) from error
    except OSError as error:
        raise _cannot_write(into, error) from error


def _whole_record(reader: Reader, export: "_Export") -> None:
    for stream in (journal, sample_log):
        n = 0
        while found := stream.read_after(reader, n, _PAGE_BYTES):
            export.take(stream.STREAM, n, found, stream.gap_after(reader, n))
            n = found[-1][0].last_n


async def export_running(field: FieldClient, loaded: LoadedSite, into: Path, period: Period) -> str:
    """The same of a running site, over its socket, up to what is committed when it begins.

    Raises:
        FieldError: it does not answer, or not any more.
        ExportRefused: as above.
    """
    try:
        in_force = {loaded.hash: canonical_text(loaded.site).encode("ascii")}  # earlier ones are not handed out
        export = _Export(into, loaded, period, source="the running gateway", fetch=in_force.get)
        for stream in (journal.STREAM, sample_log.STREAM):
            n, newest_n = 0, 1
            while n < newest_n:
                part = await field.history(stream, n, field.hello.store)
                newest_n = part.newest_n if n == 0 else newest_n
                if not part.chunks:
                    break
                export.take(stream, n, part.chunks, part.gap)
                n = part.chunks[-1][0].last_n
        return export.finish()
    except OSError as error:
        raise _cannot_write(into, error) from error


def _cannot_write(into: Path, error: OSError) -> ExportRefused:
    return ExportRefused(f"{into}: cannot be written: {error.strerror}; choose another folder, or make room")


class _Export:
    """The folder and what is open in it."""

    def __init__(self, into: Path, loaded: LoadedSite, period: Period, *, source: str, fetch: Fetch) -> None:
        if into.exists():
            raise ExportRefused(f"{into}: there already; an export goes into a new folder, so that nothing is mixed")
        into.mkdir(parents=True, mode=0o700)
        self._into = into
        self._source = source
        self._site = loaded.site.site.id
        self._configurations = ConfigurationFiles(into, fetch)
        self._samples = SampleFiles(
            into,
            site=self._site,
            zone=ZoneInfo(loaded.site.site.time_zone),
            units=self._configurations.units,
            within=period.holds,
        )
        self._journal = _Journal(into / "journal.jsonl")
        self._gaps = (into / "gaps.csv").open("w", encoding="utf-8")
        self._gaps.write("stream,after_n,why\n")

    def take(self, stream: str, after_n: int, chunks: Sequence[Chunk], gap: str) -> None:
        """One page of the record: write it, and what is missing before it."""
        if gap:
            self._gaps.write(f'{stream},{after_n},"{gap}"\n')
        if gap and stream == journal.STREAM:
            self._journal.begin_anew()
        for header, body in chunks:
            self._configurations.seen(header)
            if stream == journal.STREAM:
                self._journal.take(body)
            else:
                self._samples.take(header, body)

    def finish(self) -> str:
        """Close everything, and write what lets it be checked."""
        self._samples.close()
        self._journal.close()
        self._gaps.close()
        self._configurations.finish()
        head = self._journal.head.hex()
        (self._into / "README.txt").write_text(
            readme_text(site=self._site, source=self._source, lines=self._journal.lines, head=head), encoding="utf-8"
        )
        sums = "".join(f"{_sum(path)}  {path.relative_to(self._into)}\n" for path in _files(self._into))
        (self._into / SUMS).write_text(sums, encoding="ascii")
        return (
            f"{self._samples.rows} samples and {self._journal.lines} journal lines of {self._site},"
            f" from {self._source}, are in {self._into}\n"
            f"Note this outside: SHA-256 of {SUMS}: {hashlib.sha256(sums.encode('ascii')).hexdigest()}\n"
            f"and the newest journal line: {self._journal.lines}={head}"
        )


class _Journal:
    """Each line as it is stored, octet for octet, beside its hash."""

    def __init__(self, path: Path) -> None:
        self._file: TextIO = path.open("w", encoding="utf-8", newline="\n")
        self.head = journal.FIRST_HASH
        self.lines = 0

    def begin_anew(self) -> None:
        """Lines are missing here, so that nothing can be chained to them: what follows is a chain of its own."""
        self.head = journal.FIRST_HASH

    def take(self, body: bytes) -> None:
        for octets in body.split(b"\n"):
            self.head = hashlib.sha256(self.head + octets).digest()
            self._file.write(f'{{"hash":"{self.head.hex()}","entry":{octets.decode()}}}\n')
            self.lines += 1

    def close(self) -> None:
        self._file.close()


def _files(folder: Path) -> Iterator[Path]:
    return iter(sorted(path for path in folder.rglob("*") if path.is_file()))


def _sum(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
