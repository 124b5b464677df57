"""What goes upstream: seven kinds of JSON message under ``<root>/<site>/``. Pure: values to bytes.

    <root>/<site>/state     retained; is the site there, does it deliver, what stands in alarm; also the last will;
                            deflated when it is long
    <root>/<site>/event     one line of the field process's journal, or a note of the uplink itself
    <root>/<site>/message   a text for people about one alarm
    <root>/<site>/live      the newest value of each tag that changed, coalesced; only where a site asks for it
    <root>/<site>/history   retained, first on every connection: the table of tags; then recorded readings, in
                            columns, deflated (content type below), as ``columns`` makes them
    <root>/<site>/answer    what became of a request from afar; only where a person of the site has a key

Everything is sent at least once. A receiver drops doubles by identity: site,
run and n of an event; site, run and n of each reading in ``live`` and
``history`` (the same numbers in both); site, run, n and number of a message.
Runs of the field process count up from 1. Notes of the uplink have runs of
their own that count down from -1, so that the two never share an identity.

Not every recorded reading goes upstream (``gateway.uplink.thinning``). Whether
something is missing is therefore seen by ranges: each history message names
the numbers it answers for, first_n to last_n, sent or held back; these ranges
follow each other without a gap, over runs too.

The field ``schema`` names kind and version. A field more keeps the version;
anything else makes a new one. ``payload_schema.json`` is generated from the
classes below and describes all of it; times are milliseconds UTC.
"""

import json
import zlib
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from gateway.local.messages import Answered, JournalEntry, Status, TagValue
from gateway.publishers.publisher import Channel, Parcel

JSON = "application/json"
JSON_DEFLATED = "application/json+zlib"  # RFC 1950 around the JSON text

_DEFLATE_FROM_BYTES = 600
_LIVE_EXPIRES_S = 900  # an absent receiver wants what is true now, not what was
_ANSWER_EXPIRES_S = 600
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
    month_bytes: Annotated[int, Meta(description="Octets on the wire in this calendar month, so far.", ge=0)] = 0


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
    """Newest value of one tag. No value when the quality is bad; a text where the tag says one."""

    tag: str
    n: Annotated[int, Meta(description="Number within the run; 0 for a verdict without a reading (stale).", ge=0)]
    at_utc_ms: UtcMs
    value: float | str | None
    quality: str
    reason: str


class Live(Payload, frozen=True, kw_only=True, tag="purplegate.live/2"):
    """What changed since the last one."""

    site: Site
    run: FieldRun
    scan: int
    at_utc_ms: UtcMs
    readings: tuple[Reading, ...]


class TagLine(msgspec.Struct, frozen=True, kw_only=True):
    """What a receiver should know of a tag."""

    tag: str
    service: Annotated[str, Meta(description="What it measures or shows, in words.")]
    unit: str
    step: Annotated[float, Meta(description="Values are rounded to multiples of this; 0 as recorded.", ge=0)]
    deadband: Annotated[float, Meta(description="A change of at most this much is not sent.", ge=0)]
    at_least_s: Annotated[float, Meta(description="After so long it is sent without a change.", gt=0)]


class Tags(Payload, frozen=True, kw_only=True, tag="purplegate.tags/1"):
    """The table that history messages refer to. Retained; comes before them on every connection."""

    site: Site
    configuration: Annotated[str, Meta(description="Hash of the configuration it was made from.")]
    table: Annotated[str, Meta(description="Name of this table; another content has another name.")]
    tags: Annotated[tuple[TagLine, ...], Meta(description="Column tag of a history counts from 0 along this list.")]
    pattern: Annotated[str, Meta(description="Its UTF-8 octets are the preset dictionary of RFC 1950 (FDICT).")]


class History(Payload, frozen=True, kw_only=True, tag="purplegate.history/2"):
    """Recorded readings in order of n, as columns of equal length; there may be none in a range."""

    site: Site
    run: FieldRun
    first_n: Annotated[int, Meta(description="First number this message answers for.", ge=1)]
    last_n: Annotated[int, Meta(description="Last one; what is not among the readings was held back.", ge=0)]
    configuration: Annotated[str, Meta(description="Hash of the configuration they were read under.")]
    table: Annotated[str, Meta(description="Name of the table of tags.")]
    more_tags: Annotated[tuple[str, ...], Meta(description="Tags that are not in the table, counted on after it.")]
    start_utc_ms: Annotated[UtcMs, Meta(description="Stamp that the first entry of column at counts from.")]
    qualities: Annotated[tuple[str, ...], Meta(description="quality:reason, in order of first appearance.")]
    n: Annotated[
        tuple[int, ...],
        Meta(
            description="Step from the number before; the first from first_n. A reading before first_n was held back"
            " until a jump after it showed that it mattered."
        ),
    ]
    at: Annotated[tuple[int, ...], Meta(description="Step in ms from the stamp before; the first from start_utc_ms.")]
    tag: tuple[int, ...]
    value: Annotated[tuple[int | float | str | None, ...], Meta(description="null when the quality is bad.")]
    quality: tuple[int, ...]


class ListLine(msgspec.Struct, frozen=True, kw_only=True):
    """One line of a tick list."""

    text: str
    satisfied: bool
    detail: str = ""


class Answer(Payload, frozen=True, kw_only=True, tag="purplegate.answer/1"):
    """What became of a request from afar."""

    site: Site
    request: Annotated[str, Meta(description="First 32 hexadecimal digits of the SHA-256 of the request's octets.")]
    granted: bool
    reason: str = ""
    text: str = ""
    items: tuple[ListLine, ...] = ()
    confirm: Annotated[int, Meta(description="Number to repeat in the second step of a release; 0 for none.")] = 0


AnyPayload = State | Event | Message | Live | Tags | History | Answer


class SampleRow(msgspec.Struct, frozen=True, kw_only=True):
    """One recorded reading in engineering units, as it is put into columns.

    Args:
        n: its number within the run.
        tag: its tag.
        utc_ms: its stamp.
        quality: good, uncertain or bad.
        reason: why.
        value: absent when bad; a text for a tag that has texts.
        utc_trusted: whether the clock that stamped it was known good.
    """

    n: int
    tag: str
    utc_ms: int
    quality: str = "good"
    reason: str = "ok"
    value: float | str | None = None
    utc_trusted: bool = True


def topic_prefix(root: str, site: str) -> str:
    """The part of the topic before the channel's name."""
    return f"{root}/{site}"


def schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of every payload; what is deflated is inflated first."""
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
        value=value.value if value.text is None else value.text,
        quality=value.quality,
        reason=value.reason,
    )


# --- payloads to parcels ---------------------------------------------------------------------------------------


def state_parcel(state: State) -> Parcel:
    """Retained, so that whoever subscribes later learns it at once. Deflated when it is long: it is sent often."""
    label = f"state of {state.site}, {'online' if state.online else 'offline'}"
    body, content_type = msgspec.json.encode(state), JSON
    if len(body) > _DEFLATE_FROM_BYTES:
        body, content_type = zlib.compress(body, 9), JSON_DEFLATED
    return Parcel(channel=Channel.STATE, body=body, content_type=content_type, retain=True, label=label)


def event_parcel(event: Event) -> Parcel:
    """One event."""
    label = f"{event.kind} {event.subject}, number {event.n} of run {event.run}"
    return Parcel(channel=Channel.EVENT, body=msgspec.json.encode(event), content_type=JSON, label=label)


def message_parcel(message: Message) -> Parcel:
    """One text."""
    label = f"message #{message.event}/{message.message} about {message.alarm}"
    return Parcel(channel=Channel.MESSAGE, body=msgspec.json.encode(message), content_type=JSON, label=label)


def answer_parcel(answered: Answered, *, site: str) -> Parcel:
    """The answer to a request from afar; after a while nobody waits for it any more."""
    items = tuple(ListLine(text=one.text, satisfied=one.satisfied, detail=one.detail) for one in answered.items)
    answer = Answer(
        site=site,
        request=answered.id,
        granted=answered.granted,
        reason=answered.reason,
        text=answered.text,
        items=items,
        confirm=answered.confirm,
    )
    body, label = msgspec.json.encode(answer), f"answer to request {answered.id}"
    return Parcel(channel=Channel.ANSWER, body=body, content_type=JSON, expires_s=_ANSWER_EXPIRES_S, label=label)


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
