"""Readings as columns, small on the wire; and what a receiver does to read them. Pure: values to bytes and back.

A batch of a minute holds few readings, and a message that names everything it
speaks of would be ten times as long as they are. So what never changes is said
once for each connection: the table of tags, which also holds a pattern. History
messages name tags by their place in the table and are deflated with the pattern
as preset dictionary (RFC 1950: the FDICT flag is set, and DICTID says which
one). Inflated, they are JSON like everything else.

A value is rounded to a step some hundredths of the tag's dead band wide: finer
figures are noise that no reading is sent for. A tag without a dead band goes
as recorded, and the store has every value as it was.
"""

import hashlib
import json
import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import sub

import msgspec

from gateway.configuration.schema.points import PointKeys
from gateway.publishers.payload import (
    JSON,
    JSON_DEFLATED,
    AnyPayload,
    History,
    SampleRow,
    TagLine,
    Tags,
)
from gateway.publishers.publisher import Channel, Parcel

_TABLE_LEVEL = 9  # once a connection
_HISTORY_LEVEL = 4  # with the strategy for digits, that of the filtered: a third of the time of 9, and fewer octets
_STEPS_IN_A_DEADBAND = 10
_FEWEST_ROWS = 1
_TABLE_LETTERS = 8
_LARGEST_WHOLE = 1e15  # beyond it a double has no units
_HAS_DICTIONARY = 0x20  # FDICT, in the second octet
_DICTIONARY_ENDS = 6  # DICTID, four octets from the third on
_LARGEST_SENT = 2**64  # a whole number; integers of devices have 64 bits at most
_WORDS_OF_QUALITY = ("bad:no_answer", "bad:stale", "uncertain:spike", "bad:governor_bad", "good:ok")


@dataclass(frozen=True, slots=True, kw_only=True)
class TagTable:
    """The table of one configuration.

    Args:
        message: as it goes upstream.
        places: place of each tag.
        decimals: decimal places that a value is rounded to, for tags that are rounded.
    """

    message: Tags
    places: Mapping[str, int]
    decimals: Mapping[str, int]

    @property
    def pattern(self) -> bytes:
        """The preset dictionary."""
        return self.message.pattern.encode()


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Readings of one run, and the numbers they answer for.

    Args:
        rows: ascending in n; may be none.
        run: start number of the field process.
        configuration: hash of the configuration they were read under.
        first_n: first number that is answered for.
        last_n: last one.
    """

    rows: Sequence[SampleRow]
    run: int
    configuration: str
    first_n: int
    last_n: int


def tag_table(points: Mapping[str, PointKeys], *, site: str, configuration: str) -> TagTable:
    """The table of a site's points, in the order of the configuration."""
    decimals = {tag: _decimals(keys.report_deadband) for tag, keys in points.items() if keys.report_deadband > 0}
    lines = tuple(
        TagLine(
            tag=tag,
            service=keys.service,
            unit=keys.unit,
            step=10.0 ** -decimals[tag] if tag in decimals else 0.0,
            deadband=keys.report_deadband,
            at_least_s=keys.report_at_least_s,
        )
        for tag, keys in points.items()
    )
    named = hashlib.sha256(site.encode() + configuration.encode() + msgspec.json.encode(lines)).hexdigest()
    table = named[:_TABLE_LETTERS]
    message = Tags(
        site=site,
        configuration=configuration,
        table=table,
        tags=lines,
        pattern=_pattern(site=site, configuration=configuration, table=table),
    )
    return TagTable(message=message, places={tag: at for at, tag in enumerate(points)}, decimals=decimals)


def _decimals(deadband: float) -> int:
    return -math.floor(math.log10(deadband / _STEPS_IN_A_DEADBAND) + 1e-9)


def _pattern(*, site: str, configuration: str, table: str) -> str:
    """A history message as most of them are; what comes last is nearest, and costs least."""
    example = History(
        site=site,
        run=1,
        first_n=1,
        last_n=1,
        configuration=configuration,
        table=table,
        more_tags=(),
        start_utc_ms=0,
        qualities=("good:ok",),
        n=(),
        at=(0, 0, 0, 0, 0, 0),
        tag=(),
        value=(),
        quality=(0, 0, 0, 0, 0, 0),
    )
    return json.dumps(_WORDS_OF_QUALITY, separators=(",", ":")) + msgspec.json.encode(example).decode()


def tags_parcel(table: TagTable) -> Parcel:
    """Retained, on the topic of the readings, so that it comes before them to everybody who hears them."""
    body = zlib.compress(msgspec.json.encode(table.message), _TABLE_LEVEL)
    label = f"table {table.message.table} of {len(table.message.tags)} tags"
    return Parcel(channel=Channel.HISTORY, body=body, content_type=JSON_DEFLATED, retain=True, label=label)


def history_parcels(batch: Batch, table: TagTable, *, limit_bytes: int) -> list[tuple[int, Parcel]]:
    """A batch in as few parcels as the size bound allows, each with the last number it answers for.

    Ranges need not be cut the same way twice (the bound may change), so
    receivers drop doubles by the numbers of the single readings.
    """
    body = _deflated(msgspec.json.encode(history_of(batch, table)), table.pattern)
    if len(body) > limit_bytes and len(batch.rows) > _FEWEST_ROWS:
        parts = [history_parcels(half, table, limit_bytes=limit_bytes) for half in _halves(batch)]
        return [*parts[0], *parts[1]]
    label = f"{len(batch.rows)} readings for {batch.first_n} to {batch.last_n} of run {batch.run}"
    return [(batch.last_n, Parcel(channel=Channel.HISTORY, body=body, content_type=JSON_DEFLATED, label=label))]


def _deflated(text: bytes, pattern: bytes) -> bytes:
    deflate = zlib.compressobj(_HISTORY_LEVEL, strategy=zlib.Z_FILTERED, zdict=pattern)
    return deflate.compress(text) + deflate.flush()


def _halves(batch: Batch) -> tuple[Batch, Batch]:
    middle = len(batch.rows) // 2
    cut_n = max(batch.rows[middle].n, batch.first_n)
    return (
        _part(batch, batch.rows[:middle], first_n=batch.first_n, last_n=cut_n - 1),
        _part(batch, batch.rows[middle:], first_n=cut_n, last_n=batch.last_n),
    )


def _part(batch: Batch, rows: Sequence[SampleRow], *, first_n: int, last_n: int) -> Batch:
    return Batch(rows=rows, run=batch.run, configuration=batch.configuration, first_n=first_n, last_n=last_n)


def history_of(batch: Batch, table: TagTable) -> History:
    """A batch as columns."""
    rows = batch.rows
    unknown = dict.fromkeys(row.tag for row in rows if row.tag not in table.places)
    places = {**table.places, **{tag: len(table.places) + at for at, tag in enumerate(unknown)}}
    names = [f"{row.quality}:{row.reason}" for row in rows]
    qualities = {name: at for at, name in enumerate(dict.fromkeys(names))}
    start_utc_ms = rows[0].utc_ms if rows else 0
    return History(
        site=table.message.site,
        run=batch.run,
        first_n=batch.first_n,
        last_n=batch.last_n,
        configuration=batch.configuration,
        table=table.message.table,
        more_tags=tuple(unknown),
        start_utc_ms=start_utc_ms,
        qualities=tuple(qualities),
        n=_steps(batch.first_n, [row.n for row in rows]),
        at=_steps(start_utc_ms, [row.utc_ms for row in rows]),
        tag=tuple([places[row.tag] for row in rows]),
        value=tuple([_shown(row.value, table.decimals.get(row.tag)) for row in rows]),
        quality=tuple([qualities[name] for name in names]),
    )


def _steps(start: int, values: Sequence[int]) -> tuple[int, ...]:
    return tuple(map(sub, values, (start, *values)))


def _shown(value: float | str | None, decimals: int | None) -> int | float | str | None:
    if not isinstance(value, float):
        return value
    rounded = value if decimals is None else round(value, decimals)
    return int(rounded) if rounded.is_integer() and abs(rounded) < _LARGEST_WHOLE else rounded


# --- what a receiver does --------------------------------------------------------------------------------------


_MOST_PLAIN_BYTES = 16_777_216  # of one message inflated; the largest that is sent deflates to a million at most


class Unreadable(ValueError):  # noqa: N818 - named for what is the case
    """It is no message of ours, or not a whole one."""


class UnknownTable(Unreadable):
    """A history message came before the table it was deflated with."""


class Reader:
    """Reads messages as they come; keeps the tables it has seen."""

    def __init__(self) -> None:
        self._tables: dict[str, Tags] = {}
        self._patterns: dict[int, bytes] = {}

    def decode(self, body: bytes, content_type: str = JSON) -> AnyPayload:
        """One message.

        Raises:
            UnknownTable: it was deflated with the pattern of a table that has not come.
            Unreadable: the content type says deflated and the body is not, or is of more than 16 MiB, or it is no
                payload of a version known here.
        """
        plain = self._inflated(body) if content_type == JSON_DEFLATED else body
        try:
            content: AnyPayload = msgspec.json.decode(plain, type=AnyPayload)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as fault:
            raise Unreadable(f"no message that is known here: {fault}") from fault
        if isinstance(content, Tags):
            self._tables[content.table] = content
            self._patterns[zlib.adler32(content.pattern.encode())] = content.pattern.encode()
        return content

    def rows_of(self, history: History) -> list[SampleRow]:
        """The readings back out of their columns.

        Raises:
            UnknownTable: its table has not come.
            Unreadable: its columns differ in length, or name a tag or quality that is not there.
        """
        if history.table not in self._tables:
            raise UnknownTable(f"table {history.table} has not come; known are {sorted(self._tables)}")
        tags = [*(line.tag for line in self._tables[history.table].tags), *history.more_tags]
        _refuse_unfit(history, tags)
        qualities = [name.partition(":")[::2] for name in history.qualities]
        rows, n, utc_ms = [], history.first_n, history.start_utc_ms
        columns = zip(history.n, history.at, history.tag, history.value, history.quality, strict=True)
        for n_step, ms_step, tag, value, quality in columns:
            n, utc_ms = n + n_step, utc_ms + ms_step
            name, reason = qualities[quality]
            number = float(value) if isinstance(value, int) else value
            rows.append(SampleRow(n=n, tag=tags[tag], utc_ms=utc_ms, quality=name, reason=reason, value=number))
        return rows

    def _inflated(self, body: bytes) -> bytes:
        pattern = b""
        if len(body) >= _DICTIONARY_ENDS and body[1] & _HAS_DICTIONARY:
            wanted = int.from_bytes(body[2:_DICTIONARY_ENDS], "big")
            if wanted not in self._patterns:
                raise UnknownTable(f"deflated with dictionary {wanted:#010x}, which has not come")
            pattern = self._patterns[wanted]
        stream = zlib.decompressobj(zdict=pattern) if pattern else zlib.decompressobj()
        try:
            plain = stream.decompress(body, _MOST_PLAIN_BYTES)
        except zlib.error as fault:
            raise Unreadable(f"not deflated as it says: {fault}") from fault
        if not stream.eof:
            raise Unreadable(f"cut short, or of more than {_MOST_PLAIN_BYTES} bytes inflated")
        return plain


def _refuse_unfit(history: History, tags: Sequence[str]) -> None:
    """Places count from 0; a negative one would be taken for one from the end."""
    columns = (history.n, history.at, history.tag, history.value, history.quality)
    if len({len(column) for column in columns}) > 1:
        raise Unreadable(f"columns of {[len(column) for column in columns]} entries; all have as many")
    for what, places, known in (("tag", history.tag, tags), ("quality", history.quality, history.qualities)):
        if any(not 0 <= place < len(known) for place in places):
            raise Unreadable(f"a {what} beyond the {len(known)} that there are")
    if any(isinstance(value, int) and abs(value) > _LARGEST_SENT for value in history.value):
        raise Unreadable("a whole number that no reading is")
