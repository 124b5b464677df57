"""The messages of the local socket, and nothing else. Pure: bytes in ``frames``, sockets in ``client``.

Version 1.1. A frame carries one message as JSON, with its ``type`` as a tag,
and bytes behind it where the message says so. Fields a reader does not know
are ignored; another major version is refused in the hello. Times are
milliseconds UTC unless the name says ``monotonic``.
"""

import msgspec

PROTOCOL_MAJOR = 1
PROTOCOL_MINOR = 1


class Message(msgspec.Struct, frozen=True, kw_only=True, tag_field="type"):
    """Root of all messages."""


# --- from the field process ------------------------------------------------------------------------------------


class Hello(Message, frozen=True, kw_only=True, tag="hello"):
    """First message in both directions; the field process fills everything, a client its name."""

    major: int = PROTOCOL_MAJOR
    minor: int = PROTOCOL_MINOR
    client: str = ""  # name of the connecting program, for the log
    site: str = ""
    site_name: str = ""
    store: str = ""  # id of the store; a position from another store starts again
    run: int = 0
    configuration: str = ""  # hash
    rate: float = 1.0  # plant seconds a second


class TagValue(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Newest value of one tag. ``value`` is absent when the quality is bad, and when the tag says a text."""

    tag: str
    quality: str
    value: float | None = None
    reason: str = "ok"
    utc_ms: int = 0
    n: int = 0  # sample number, 0 for a verdict that has no sample of its own (stale)
    text: str | None = None  # of a tag that says a text
    in_words: str = ""  # what the value means, where it is a state or a status word


class Values(Message, frozen=True, kw_only=True, tag="values"):
    """Live: what changed since the last such message. ``scan`` grows by one a scan."""

    scan: int
    utc_ms: int
    values: tuple[TagValue, ...]


class JournalEntry(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One line of the journal. Also what is stored, hashed and sent upstream."""

    n: int
    run: int
    scan: int
    monotonic_ms: int
    utc_ms: int
    utc_trusted: bool
    kind: str
    subject: str = ""
    occurrence: int = 0
    reason: str = ""
    person: str = ""
    facts: dict[str, str | int | float | bool] = {}
    configuration: str = ""


_entry_decoder = msgspec.json.Decoder(JournalEntry)


def entries_of(body: bytes) -> tuple[JournalEntry, ...]:
    """The entries of the body of a journal chunk: one JSON object a line.

    Raises:
        msgspec.MsgspecError: a line is no journal entry.
    """
    return tuple(_entry_decoder.decode(line) for line in body.split(b"\n") if line)


class LiveEvent(Message, frozen=True, kw_only=True, tag="event"):
    """Live: a journal entry, sent before it is committed."""

    entry: JournalEntry
    committed: bool = False


class ChunkHeader(msgspec.Struct, frozen=True, kw_only=True):
    """What a chunk of history holds. Chunks are handed over as stored, undecoded."""

    stream: str  # "journal" or "samples"
    run: int
    first_n: int
    last_n: int
    first_utc_ms: int
    last_utc_ms: int
    configuration: str
    checksum: int  # CRC-32 of the body
    size_bytes: int


class History(Message, frozen=True, kw_only=True, tag="history"):
    """Answer to ``AskHistory``: headers here, bodies one after the other behind the frame."""

    id: int
    stream: str
    chunks: tuple[ChunkHeader, ...]
    newest_n: int  # newest committed in this stream
    gap: str = ""  # why the first chunk does not follow the position asked for, empty when it does
    fault: str = ""  # why nothing could be read this time, ask again later; empty when it could


class ListItem(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One line of a tick list."""

    text: str
    satisfied: bool
    detail: str = ""
    wait_s: float = 0.0


class OutputStatus(msgspec.Struct, frozen=True, kw_only=True):
    """One output: what it shall be, whether proven, why, since when, what its release needs."""

    output: str
    service: str
    level: str
    safe: bool
    confirmed: bool  # the level has been read back from the controller
    proven: bool  # the position proves the level
    reasons: tuple[str, ...]
    since_utc_ms: int
    release: tuple[ListItem, ...] = ()
    returns: tuple[ListItem, ...] = ()  # what it comes back by without anybody, while no latch holds it


class InterlockStatus(msgspec.Struct, frozen=True, kw_only=True):
    """One interlock."""

    interlock: str
    service: str
    state: str
    since_utc_ms: int
    cause: str = ""
    bypassed_until_utc_ms: int = 0
    bypassed_by: str = ""
    bypassed_because: str = ""
    shadow: bool = False  # it is only watched, and acts on nothing
    would_trip: bool = False  # its cause stands, and it would be tripped if it were not bypassed or in shadow


class HoldStatus(msgspec.Struct, frozen=True, kw_only=True):
    """One instrument that a person holds."""

    subject: str  # the tag or device that was named
    tags: tuple[str, ...]
    held_by: str
    because: str
    since_utc_ms: int
    until_utc_ms: int  # planned end; it does not end by itself
    over: bool = False  # ended, and the reading does not count yet


class HiddenStatus(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What hides an alarm; several reasons may stand at once."""

    suppressed_by: str = ""
    shelved_until_utc_ms: int = 0
    shelved_by: str = ""
    shelved_because: str = ""
    out_of_service: bool = False
    taken_by: str = ""
    taken_because: str = ""
    interim_measure: str = ""


class AlarmStatus(msgspec.Struct, frozen=True, kw_only=True):
    """One alarm that is not plain normal."""

    alarm: str
    state: str  # ISA-18.2 letters: UNACK, ACKED, RTNUN, LTUNK, LTACK, SHLVD, DSUPR, OOSRV
    priority: str
    occurrence: int
    since_utc_ms: int
    says: str
    action: str
    value: str = ""
    consequence: str = ""
    seen_as: str = ""  # the state that would be seen if nothing hid it; the same letters
    respond_by_utc_ms: int = 0  # while it is active: when the action must have begun; 0 otherwise
    caused_by: str = ""  # the alarm it follows from along the process graph; empty when from none
    hidden: HiddenStatus = HiddenStatus()


class Status(Message, frozen=True, kw_only=True, tag="status"):
    """Answer to ``AskStatus``: one snapshot, as the last scan left it."""

    id: int
    utc_ms: int
    scan: int
    outputs: tuple[OutputStatus, ...]
    interlocks: tuple[InterlockStatus, ...]
    alarms: tuple[AlarmStatus, ...]
    tags: tuple[TagValue, ...]
    held: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()  # what else a person should know: who commissioned, journal behind, clock untrusted
    holds: tuple[HoldStatus, ...] = ()  # announced by people
    observing: bool = False  # nothing is written: levels are what the gateway would command


class Answered(Message, frozen=True, kw_only=True, tag="answered"):
    """Answer to ``Ask``; sent after it is committed."""

    id: str
    granted: bool
    reason: str = ""
    text: str = ""
    items: tuple[ListItem, ...] = ()
    confirm: int = 0
    numbers: tuple[int, ...] = ()  # of the journal's lines that what was entered has become


class Refusal(Message, frozen=True, kw_only=True, tag="refusal"):
    """The message before could not be served; the connection may be closed after it."""

    text: str


# --- to the field process --------------------------------------------------------------------------------------


class Watch(Message, frozen=True, kw_only=True, tag="watch"):
    """Start the live feed: all values once, then changes and events."""


class AskHistory(Message, frozen=True, kw_only=True, tag="ask_history"):
    """Chunks of a stream after a position; one such request outstanding at a time."""

    id: int
    stream: str
    after_n: int
    store: str = ""  # the store the position belongs to
    limit_bytes: int = 262_144


class Confirm(Message, frozen=True, kw_only=True, tag="confirm"):
    """A named reader has delivered everything up to here; retention follows it."""

    reader: str
    stream: str
    n: int


class AskStatus(Message, frozen=True, kw_only=True, tag="ask_status"):
    """One snapshot, please."""

    id: int


class Ask(Message, frozen=True, kw_only=True, tag="ask"):
    """A request of a person; who it is, is told by the socket's credentials, not by this message."""

    id: str
    action: str  # value of core.request.Action
    subject: str = ""
    person: str = ""  # which of the persons this user may act as; needed when there are several
    reason: str = ""
    duration_s: float = 0.0
    occurrence: int = 0
    confirm: int = 0
    measured: dict[str, float] = {}
    measure: str = ""  # what is done instead while something is out of service
    cause: str = ""
    corrective_action: str = ""
    entries: tuple[dict[str, str], ...] = ()  # rows to enter, as core.entering reads them


class AskAfar(Message, frozen=True, kw_only=True, tag="ask_afar"):
    """A request that a person has signed far away, as it came; the answer bears this id. Since version 1.1."""

    id: str
    octets: bytes  # see signed


FromField = Hello | Values | LiveEvent | History | Status | Answered | Refusal
ToField = Hello | Watch | AskHistory | Confirm | AskStatus | Ask | AskAfar
