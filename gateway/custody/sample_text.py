"""Samples as lines of CSV, one UTC day a file, as they come out of the record. Writes as it reads and keeps nothing.

Decides nothing about a sample: the value is written with every digit it has
(the shortest decimal number that reads back as the same IEEE 754 double),
beside the quality that the reading itself came with.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, date, datetime
from itertools import groupby
from pathlib import Path
from typing import TextIO
from zoneinfo import ZoneInfo

from gateway.local.messages import ChunkHeader
from gateway.store.chunk import Columns, columns_of
from gateway.store.sample_digest import utc_text, words_of

HEAD = "site,tag,unit,utc,site_time,value,quality,reason,run,n,utc_trusted,device_utc\n"
_DAY_MS, _QUARTER_MS = 86_400_000, 900_000  # clocks change on a quarter of an hour, in every zone there is


class SampleFiles:
    """The files of one export.

    Args:
        folder: where they go.
        site: its id.
        zone: by which site time is told.
        units: of a configuration, by its hash: tag to unit.
        within: whether a day is wanted.
    """

    def __init__(
        self,
        folder: Path,
        *,
        site: str,
        zone: ZoneInfo,
        units: Callable[[str], Mapping[str, str]],
        within: Callable[[date], bool],
    ) -> None:
        self._folder = folder
        self._site = _quoted(site)
        self._zone = zone
        self._units = units
        self._within = within
        self._open: tuple[int, TextIO] | None = None
        self._started: set[int] = set()
        self._offsets: dict[int, tuple[int, str]] = {}
        self.rows = 0

    def take(self, header: ChunkHeader, body: bytes) -> None:
        """Write what a chunk holds.

        Raises:
            ChunkDamaged: it cannot be unpacked.
            OSError: the disk does not take it.
        """
        first, last = header.first_utc_ms // _DAY_MS, header.last_utc_ms // _DAY_MS
        if not any(self._within(_date(day)) for day in range(first, last + 1)):
            return
        columns = columns_of(header, body)
        lines = self._lines(columns, header)
        if first == last:
            self._write(first, lines)
        else:
            for day, part in groupby(zip(columns.utc_ms, lines, strict=True), key=lambda one: one[0] // _DAY_MS):
                self._write(day, (line for _, line in part))

    def _write(self, day: int, lines: Iterable[str]) -> None:
        if self._within(_date(day)):
            written = list(lines)
            self._file(day).write("".join(written))
            self.rows += len(written)

    def close(self) -> None:
        """All files are written."""
        if self._open is not None:
            self._open[1].close()

    def _file(self, day: int) -> TextIO:
        if self._open is None or self._open[0] != day:
            self.close()
            file = (self._folder / f"samples-{_date(day)}.csv").open("a", encoding="utf-8", newline="")
            self._open = day, file
            if day not in self._started:
                self._started.add(day)
                file.write(HEAD)
        return self._open[1]

    def _lines(self, columns: Columns, header: ChunkHeader) -> Iterator[str]:
        units = self._units(header.configuration)
        heads = {tag: f"{self._site},{_quoted(tag)},{_quoted(units.get(tag, ''))}" for tag in set(columns.tags)}
        found = [words_of(sort) for sort in columns.sorts]
        sorts = [(None if text is None else _quoted(text), f"{words},{header.run}") for text, words in found]
        moments = {utc_ms: self._moment(utc_ms) for utc_ms in set(columns.utc_ms)}
        each = zip(
            columns.tags,
            columns.utc_ms,
            columns.sort,
            columns.values,
            columns.utc_trusted,
            columns.source_utc_ms,
            strict=True,
        )
        for n, (tag, utc_ms, place, value, trusted, source_utc_ms) in enumerate(each, header.first_n):
            text, words = sorts[place]
            source = "" if source_utc_ms == utc_ms else utc_text(source_utc_ms) + "Z"
            shown = value if text is None else text
            yield f"{heads[tag]},{moments[utc_ms]},{shown},{words},{n},{'1' if trusted else '0'},{source}\n"

    def _moment(self, utc_ms: int) -> str:
        """UTC and site time, ISO 8601 with milliseconds."""
        offset_s, named = self._offset(utc_ms // _QUARTER_MS)
        return f"{utc_text(utc_ms)}Z,{utc_text(utc_ms + offset_s * 1_000)}{named}"

    def _offset(self, quarter: int) -> tuple[int, str]:
        if quarter not in self._offsets:
            if len(self._offsets) > _DAY_MS // _QUARTER_MS:
                self._offsets.clear()
            local = datetime.fromtimestamp(quarter * _QUARTER_MS / 1_000, self._zone)
            offset = local.utcoffset()
            self._offsets[quarter] = (0 if offset is None else round(offset.total_seconds())), local.isoformat()[19:]
        return self._offsets[quarter]


def _quoted(text: str) -> str:
    """As RFC 4180 has it."""
    return f'"{text.replace(chr(34), chr(34) * 2)}"' if any(one in text for one in ',"\n\r') else text


def _date(day: int) -> date:
    return datetime.fromtimestamp(day * _DAY_MS / 1_000, UTC).date()
