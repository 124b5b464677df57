"""What goes upstream: five kinds of JSON message under ``<root>/<site>/``. Pure: values to bytes.

    <root>/<site>/state     retained; is the site there, does it deliver, what stands in alarm; also the last will
    <root>/<site>/event     one line of the field process's journal, or a note of the uplink itself
    <root>/<site>/message   a text for people about one alarm
    <root>/<site>/live      the newest value of each tag that changed, coalesced
    <root>/<site>/history   every recorded reading, in columns, deflated (content type below)

Everything is sent at least once. A receiver drops doubles by identity: site,
run and n of an event; site, run and n of each reading in ``live`` and
``history`` (the same numbers in both); site, run, n and number of a message.
Runs of the field process count up from 1. Notes of the uplink have runs of
their own that count down from -1, so that the two never share an identity.

The field ``schema`` names kind and version. A field more keeps the version;
anything else makes a new one. ``payload_schema.json`` is generated from the
classes below and describes all of it; times are milliseconds UTC.
"""

import json
import zlib
from collections.abc import Iterator, Sequence
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from gateway.local.messages import JournalEntry, Status, TagValue
from gateway.publishers.publisher import Channel, Parcel

JSON = "application/json"
JSON_DEFLATED = "application/json+zlib"  # RFC 1950 around the JSON text

_DEFLATE_LEVEL = 6
_LIVE_EXPIRES_S = 900  # an absent receiver wants what is true now, not what was
_FEWEST_ROWS = 1

Site = Annotated[str, Meta(description="Id of the site.", min_length=1)]
FieldRun = Annotated[int, Meta(description="Start number of the field process.", ge=1)]
UtcMs = Annotated[int, Meta(description="Milliseconds since 1970-01-01 UTC.")]
Number = Annotated[int, Meta(description="Number within the run.", ge=0)]


class Payload(msgspec.Struct, frozen=True, kw_only=True, tag_field="schema"):
    """Root of all payloads."""


class OutputNow(msgspec.Struct, frozen=True, kw_only=True):
    """One output as the last scan left it."""

    output: str
    level: str
    safe: Annotated[bool, Meta(description="It stands, by command, at its safe level.")]
    confirmed: Annotated[bool, Meta(description="The level has been read back from the controller.")]
    proven: Annotated[bool, Meta(description="The position proves the level.")]
    reasons: tuple[str, ...]
    since_utc_ms: UtcMs


class AlarmNow(msgspec.Struct, frozen=True, kw_only=True):
    """One alarm that is not plain normal."""

    alarm: str
    state: str
    priority: str
    occurrence: int
    since_utc_ms: UtcMs
    says: str


class State(Payload, frozen=True, kw_only=True, tag="purplegate.state/1"):
    """Whether the site is there. Retained; the last will has the same form."""

    site: Site
    at_utc_ms: Annotated[UtcMs, Meta(description="When this was written; in a last will, when its connection began.")]
    online: Annotated[bool, Meta(description="The uplink is connected. False is a farewell or the last will.")]
    field: Annotated[str, Meta(description="running, dead (no scan for 15 s, or its socket is gone) or unknown.")]
    reason: Annotated[str, Meta(description="Why offline, or why the field process counts as dead.")] = ""
    scan: Annotated[int, Meta(description="Number of the last scan heard of; must grow between two states.")] = 0
    run: Annotated[int, Meta(description="Start number of the field process, 0 when not known.")] = 0
    configuration: Annotated[str, Meta(description="Hash of the configuration that decides.")] = ""
    outputs: tuple[OutputNow, ...] = ()
    alarms: tuple[AlarmNow, ...] = ()
    notes: tuple[str, ...] = ()
    events_behind: Annotated[int, Meta(description="Journal entries not sent yet.", ge=0)] = 0
    readings_behind: Annotated[int, Meta(description="Readings not sent yet.", ge=0)] = 0


class Event(Payload, frozen=True, kw_only=True, tag="purplegate.event/1"):
    """One line of the journal. Negative runs are notes of the uplink about its own work."""

    site: Site
    run: Annotated[int, Meta(description="Start number of the field process; below 0, of the uplink.")]
    n: Number
    scan: int
    at_utc_ms: UtcMs
    utc_trusted: bool
    kind: str
    subject: str = ""
    occurrence: int = 0
    reason: str = ""
    person: str = ""
    facts: dict[str, str | int | float | bool] = {}
    configuration: str = ""


class Message(Payload, frozen=True, kw_only=True, tag="purplegate.message/1"):
    """A text for people. ``run`` and ``n`` are those of the alarm's line in the journal."""

    site: Site
    run: FieldRun
    n: Number
    event: Annotated[int, Meta(description="Which event of the site, counted by the uplink.", ge=1)]
    message: Annotated[int, Meta(description="Which message about this event.", ge=1)]
    alarm: str
    occurrence: int
    priority: str
    at_utc_ms: Annotated[UtcMs, Meta(description="When the alarm came.")]
    sent_utc_ms: Annotated[UtcMs, Meta(description="When this text was made.")]
    nature: Annotated[str, Meta(description="limit, untrusted, unmoved or state.")]
    diversion: Annotated[str, Meta(description="not_commanded, commanded, proven, not_proven or unknown.")]
    text: Annotated[str, Meta(description="First part, fits a text message.", max_length=160)]
    more: Annotated[str, Meta(description="Second part: cause, consequence, action.")]


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """Newest value of one tag. No value when the quality is bad."""

    tag: str
    n: Annotated[int, Meta(description="Number within the run; 0 for a verdict without a reading (stale).", ge=0)]
    at_utc_ms: UtcMs
    value: float | None
    quality: str
    reason: str


class Live(Payload, frozen=True, kw_only=True, tag="purplegate.live/1"):
    """What changed since the last one."""

    site: Site
    run: FieldRun
    scan: int
    at_utc_ms: UtcMs
    readings: tuple[Reading, ...]


class History(Payload, frozen=True, kw_only=True, tag="purplegate.history/1"):
    """Recorded readings in order of n, as columns of equal length; ``tag`` and ``quality`` are indexes into lists."""

    site: Site
    run: FieldRun
    first_n: Number
    last_n: Number
    configuration: Annotated[str, Meta(description="Hash of the configuration they were read under.")]
    start_utc_ms: Annotated[UtcMs, Meta(description="Stamp that the first entry of column at counts from.")]
    tags: Annotated[tuple[str, ...], Meta(description="Tag names, in order of first appearance.")]
    qualities: Annotated[tuple[str, ...], Meta(description="quality:reason, in order of first appearance.")]
    n: Annotated[tuple[int, ...], Meta(description="Step from the number before; the first from first_n.")]
    at: Annotated[tuple[int, ...], Meta(description="Step in ms from the stamp before; the first from start_utc_ms.")]
    tag: tuple[int, ...]
    value: Annotated[tuple[float | None, ...], Meta(description="null when the quality is bad.")]
    quality: tuple[int, ...]


AnyPayload = State | Event | Message | Live | History


class SampleRow(msgspec.Struct, frozen=True, kw_only=True):
    """One recorded reading in engineering units, as it is put into columns.

    Args:
        n: its number within the run.
        tag: its tag.
        utc_ms: its stamp.
        quality: good, uncertain or bad.
        reason: why.
        value: absent when bad.
    """

    n: int
    tag: str
    utc_ms: int
    quality: str = "good"
    reason: str = "ok"
    value: float | None = None


def topic_prefix(root: str, site: str) -> str:
    """The part of the topic before the channel's name."""
    return f"{root}/{site}"


def schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of every payload; a history payload is inflated first."""
    body = msgspec.json.schema(AnyPayload)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Messages to upstream", **body}


def schema_text() -> str:
    """Content of ``payload_schema.json``."""
    return json.dumps(schema(), indent=2) + "\n"


# --- making payloads -------------------------------------------------------------------------------------------


def state_of(status: Status, *, site: str, run: int, configuration: str, behind: tuple[int, int] = (0, 0)) -> State:
    """State of a living site from a snapshot; ``behind`` is journal entries and readings not sent yet."""
    outputs = tuple(
        OutputNow(
            output=o.output,
            level=o.level,
            safe=o.safe,
            confirmed=o.confirmed,
            proven=o.proven,
            reasons=o.reasons,
            since_utc_ms=o.since_utc_ms,
        )
        for o in status.outputs
    )
    alarms = tuple(
        AlarmNow(
            alarm=a.alarm,
            state=a.state,
            priority=a.priority,
            occurrence=a.occurrence,
            since_utc_ms=a.since_utc_ms,
            says=a.says,
        )
        for a in status.alarms
    )
    return State(
        site=site,
        at_utc_ms=status.utc_ms,
        online=True,
        field="running",
        scan=status.scan,
        run=run,
        configuration=configuration,
        outputs=outputs,
        alarms=alarms,
        notes=status.notes,
        events_behind=behind[0],
        readings_behind=behind[1],
    )


def event_of(entry: JournalEntry, *, site: str) -> Event:
    """One line of the journal for upstream."""
    return Event(
        site=site,
        run=entry.run,
        n=entry.n,
        scan=entry.scan,
        at_utc_ms=entry.utc_ms,
        utc_trusted=entry.utc_trusted,
        kind=entry.kind,
        subject=entry.subject,
        occurrence=entry.occurrence,
        reason=entry.reason,
        person=entry.person,
        facts=entry.facts,
        configuration=entry.configuration,
    )


def reading_of(value: TagValue) -> Reading:
    """Newest value of a tag for upstream."""
    return Reading(
        tag=value.tag,
        n=value.n,
        at_utc_ms=value.utc_ms,
        value=value.value,
        quality=value.quality,
        reason=value.reason,
    )


def history_of(rows: Sequence[SampleRow], *, site: str, run: int, configuration: str) -> History:
    """Readings, ascending in n and all of one run, as columns.

    Raises:
        ValueError: there are no rows.
    """
    if not rows:
        raise ValueError("a history payload holds at least one reading, got none; send nothing instead")
    tags = {tag: index for index, tag in enumerate(dict.fromkeys(row.tag for row in rows))}
    qualities = {name: index for index, name in enumerate(dict.fromkeys(_quality_name(row) for row in rows))}
    return History(
        site=site,
        run=run,
        first_n=rows[0].n,
        last_n=rows[-1].n,
        configuration=configuration,
        start_utc_ms=rows[0].utc_ms,
        tags=tuple(tags),
        qualities=tuple(qualities),
        n=tuple(_steps([row.n for row in rows])),
        at=tuple(_steps([row.utc_ms for row in rows])),
        tag=tuple(tags[row.tag] for row in rows),
        value=tuple(row.value for row in rows),
        quality=tuple(qualities[_quality_name(row)] for row in rows),
    )


def rows_of(history: History) -> list[SampleRow]:
    """The readings back out of their columns; for receivers and tests."""
    rows, n, utc_ms = [], history.first_n, history.start_utc_ms
    columns = zip(history.n, history.at, history.tag, history.value, history.quality, strict=True)
    for n_step, ms_step, tag, value, quality in columns:
        n, utc_ms = n + n_step, utc_ms + ms_step
        name, _, reason = history.qualities[quality].partition(":")
        rows.append(
            SampleRow(n=n, tag=history.tags[tag], utc_ms=utc_ms, quality=name, reason=reason, value=value),
        )
    return rows


def _quality_name(row: SampleRow) -> str:
    return f"{row.quality}:{row.reason}"


def _steps(values: list[int]) -> Iterator[int]:
    before = values[0]
    for value in values:
        yield value - before
        before = value


# --- payloads to parcels ---------------------------------------------------------------------------------------


def state_parcel(state: State) -> Parcel:
    """Retained, so that whoever subscribes later learns it at once."""
    label = f"state of {state.site}, {'online' if state.online else 'offline'}"
    return Parcel(channel=Channel.STATE, body=msgspec.json.encode(state), content_type=JSON, retain=True, label=label)


def event_parcel(event: Event) -> Parcel:
    """One event."""
    label = f"{event.kind} {event.subject}, number {event.n} of run {event.run}"
    return Parcel(channel=Channel.EVENT, body=msgspec.json.encode(event), content_type=JSON, label=label)


def message_parcel(message: Message) -> Parcel:
    """One text."""
    label = f"message #{message.event}/{message.message} about {message.alarm}"
    return Parcel(channel=Channel.MESSAGE, body=msgspec.json.encode(message), content_type=JSON, label=label)


def live_parcels(live: Live, *, limit_bytes: int) -> list[Parcel]:
    """Newest values, in as many parcels as the size bound asks for."""
    body = msgspec.json.encode(live)
    if len(body) > limit_bytes and len(live.readings) > _FEWEST_ROWS:
        middle = len(live.readings) // 2
        halves = (live.readings[:middle], live.readings[middle:])
        parts = [live_parcels(msgspec.structs.replace(live, readings=half), limit_bytes=limit_bytes) for half in halves]
        return [*parts[0], *parts[1]]
    label = f"{len(live.readings)} newest values at scan {live.scan}"
    return [
        Parcel(channel=Channel.LIVE, body=body, content_type=JSON, expires_s=_LIVE_EXPIRES_S, label=label),
    ]


def history_parcels(
    rows: Sequence[SampleRow], *, site: str, run: int, configuration: str, limit_bytes: int
) -> list[tuple[int, Parcel]]:
    """Readings in as few parcels as the size bound allows, each with the number of its last reading.

    Doubles can only be dropped by ranges when ranges are cut the same way
    twice; they are not (the bound may change), so receivers go by the numbers
    of the single readings.
    """
    history = history_of(rows, site=site, run=run, configuration=configuration)
    body = zlib.compress(msgspec.json.encode(history), _DEFLATE_LEVEL)
    if len(body) > limit_bytes and len(rows) > _FEWEST_ROWS:
        middle = len(rows) // 2
        halves = (rows[:middle], rows[middle:])
        parts = [
            history_parcels(half, site=site, run=run, configuration=configuration, limit_bytes=limit_bytes)
            for half in halves
        ]
        return [*parts[0], *parts[1]]
    label = f"readings {history.first_n} to {history.last_n} of run {run}"
    return [
        (history.last_n, Parcel(channel=Channel.HISTORY, body=body, content_type=JSON_DEFLATED, label=label)),
    ]


def decode(body: bytes, content_type: str = JSON) -> AnyPayload:
    """What a receiver does.

    Raises:
        zlib.error: the content type says deflated and the body is not.
        msgspec.DecodeError: it is no payload of a version known here.
    """
    plain = zlib.decompress(body) if content_type == JSON_DEFLATED else body
    payload: AnyPayload = msgspec.json.decode(plain, type=AnyPayload)
    return payload
