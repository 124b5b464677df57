"""What takes octets from others, as functions of octets: each returns, or something is wrong with the gateway.

A target knows which faults its subject promises and lets nothing else pass.
The same functions are driven by Hypothesis in the suite and by a
coverage-guided fuzzer in ``make fuzz``.
"""

import contextlib
import functools
import tempfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

import msgspec

from gateway.configuration.report import FINE, REFUSED, check_report
from gateway.drivers.modbus import codec
from gateway.drivers.modbus.reply import Accepted, Question, checksum, exception_code, judge_rtu, judge_tcp, values_of
from gateway.field.asking import NotAsked, request_of
from gateway.local import frames, signatures, signed
from gateway.local.messages import Ask, ChunkHeader
from gateway.local.signed import Claim, NotSigned, Signed
from gateway.publishers.columns import Batch, Reader, Unreadable, history_parcels, tag_table, tags_parcel
from gateway.publishers.payload import JSON, JSON_DEFLATED, History
from gateway.publishers.payload import SampleRow as SentRow
from gateway.store import chunk
from gateway.store.errors import ChunkDamaged
from gateway.store.inputs import from_line, to_line
from tests.configuration.test_rules import SITE
from tests.store.support import chunk_from

_DEFLATED_HEAD = 1  # the octet before the deflated part of a chunk: its format
_WHOLE = 65_536
_PERSONS = {"VISITOR-OP": "VISITOR-OP"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One way in.

    Args:
        takes: the octets; returns, whatever they are.
        seeds: octets that are in order, to begin from.
        tries: how often the suite tries.
    """

    takes: Callable[[bytes], None]
    seeds: tuple[bytes, ...]
    tries: int = 300


# --- replies of devices ----------------------------------------------------------------------------------------

_READ = Question(unit_id=11, function=3, address=16, count=4)
_BITS = Question(unit_id=11, function=2, address=0, count=11)
_WRITTEN = Question(unit_id=11, function=16, address=100, count=5)
_QUESTIONS = (_READ, _BITS, _WRITTEN)
_ORDERS = get_args(codec.Order)
_KINDS = tuple(kind for kind in get_args(codec.Kind) if kind != "string")


def replies(octets: bytes) -> None:
    """The first octet chooses question and framing, the rest came over the line."""
    if not octets:
        return
    question, received = _QUESTIONS[octets[0] // 2 % len(_QUESTIONS)], octets[1:]
    if octets[0] % 2:
        verdict = judge_rtu(received, question)
    else:
        verdict = judge_tcp(received, question, transaction=7, unanswered={5, 6})
    if isinstance(verdict, Accepted):
        _take_reply(verdict.message, question)


def _take_reply(message: bytes, question: Question) -> None:
    if exception_code(message) is not None or question is _WRITTEN:
        return
    values = values_of(message, question)
    assert len(values) == question.count
    assert all(0 <= value < (_WHOLE if question is _READ else 2) for value in values)
    for kind in _KINDS:
        for order in _ORDERS:
            encoding = codec.Encoding(kind, order)
            with contextlib.suppress(ValueError):
                codec.decode(values[: codec.words(encoding)], encoding)
    with contextlib.suppress(ValueError):
        codec.decode(values, codec.Encoding("string", string_registers=len(values)))


def _reply_seeds() -> tuple[bytes, ...]:
    read = bytes((3, 8)) + bytes.fromhex("40 a0 00 00 12 34 99 99")
    bits, written, refused = bytes((2, 2, 0x55, 0x05)), bytes.fromhex("10 0064 0005"), bytes((0x83, 2))
    made = []
    for place, message in ((0, read), (1, bits), (2, written), (0, refused)):
        on_the_line = b"\x0b" + message
        sum_of_it = checksum(on_the_line).to_bytes(2, "little")
        head = (7).to_bytes(2, "big") + b"\0\0" + (len(on_the_line)).to_bytes(2, "big")
        made += [bytes((2 * place + 1,)) + on_the_line + sum_of_it, bytes((2 * place,)) + head + on_the_line]
    return tuple(made)


# --- the local socket ------------------------------------------------------------------------------------------


def local_frames(octets: bytes) -> None:
    """Frames as anybody who reaches the socket may send them; a request among them is made one for the scan."""
    for decoder in (frames.to_field(), frames.from_field()):
        with contextlib.suppress(frames.FrameError):
            for message, _ in decoder.feed(octets):
                if isinstance(message, Ask):
                    requests(msgspec.json.encode(message))
            decoder.feed(b"")


def requests(octets: bytes) -> None:
    """A person's request as JSON; what it becomes can be stored, and is the same when it is read."""
    with contextlib.suppress(msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        ask = msgspec.json.decode(octets, type=Ask)
        with contextlib.suppress(NotAsked):
            request = request_of(ask, _PERSONS)
            assert from_line(to_line(request)) == request


def signed_requests(octets: bytes) -> None:
    """What comes from afar: whole, or as a claim whose signature nobody has to forge first."""
    for given in (octets, msgspec.json.encode(Signed(claim=octets, signature=b""))):
        with contextlib.suppress(NotSigned):
            envelope, claim = signed.opened(given)
            assert not signatures.is_by(envelope, _KEY[1]) or envelope.claim in _GENUINE
            requests(msgspec.json.encode(claim.ask))


_ASKS = (
    Ask(id="1", action="release", subject="product", reason="after the visit", confirm=7),
    Ask(id="2", action="grab_sample", measured={"turbidity_ntu": 0.5}),
    Ask(id="3", action="acknowledge", subject="TURBIDITY-HIGH", occurrence=3, person="VISITOR-OP"),
    Ask(id="4", action="enter", entries=({"kind": "note", "text": "x"},), duration_s=3.5),
)


_KEY = signatures.new_key()
_CLAIMS = tuple(Claim(site="marrowfell", person="DUTY-MGR", number=7, expires_utc_ms=9, ask=ask) for ask in _ASKS)
_SIGNED = tuple(signatures.sign(claim, _KEY[0]) for claim in _CLAIMS)
_GENUINE = {msgspec.json.encode(claim) for claim in _CLAIMS}

# --- what is stored, and what goes upstream --------------------------------------------------------------------


def stored_chunks(octets: bytes) -> None:
    """What lies behind the checksum of a chunk, which somebody who writes the file can make right."""
    header, _ = _stored()
    squeezer = zlib.compressobj(1, zlib.DEFLATED, -zlib.MAX_WBITS)
    for body in (octets, b"\x01" + squeezer.compress(octets) + squeezer.flush()):
        fitting = msgspec.structs.replace(header, size_bytes=len(body), checksum=zlib.crc32(body))
        with contextlib.suppress(ChunkDamaged):
            chunk.unpack(fitting, body)


@functools.cache
def _stored() -> tuple[ChunkHeader, bytes]:
    return chunk_from(1, 12)


def _chunk_seeds() -> tuple[bytes, ...]:
    _, body = _stored()
    return (body, zlib.decompress(body[_DEFLATED_HEAD:], -zlib.MAX_WBITS))


_TABLE = tag_table({}, site="marrowfell", configuration="c0ffee")
_ROWS = tuple(
    SentRow(n=n, tag="AIT-510", utc_ms=1_740_000_000_000 + n, value=0.1 * n, quality="good", reason="ok")
    for n in range(5)
)


def messages(octets: bytes) -> None:
    """Messages as a receiver gets them, from whoever may write to the topic."""
    reader = Reader()
    table = tags_parcel(_TABLE)
    reader.decode(table.body, table.content_type)
    for content_type in (JSON, JSON_DEFLATED):
        with contextlib.suppress(Unreadable):
            content = reader.decode(octets, content_type)
            if isinstance(content, History):
                reader.rows_of(content)


def _message_seeds() -> tuple[bytes, ...]:
    batch = Batch(rows=_ROWS, run=1, configuration="c0ffee", first_n=0, last_n=4)
    ((_, parcel),) = history_parcels(batch, _TABLE, limit_bytes=60_000)
    plain = zlib.decompressobj(zdict=_TABLE.pattern).decompress(parcel.body)
    return (parcel.body, plain, tags_parcel(_TABLE).body)


# --- the site folder -------------------------------------------------------------------------------------------


def configuration(octets: bytes) -> None:
    """A file of a site folder: it is accepted, or refused with what is wrong."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        (Path(folder) / "site.yaml").write_bytes(octets)
        report, code = check_report(Path(folder))
    assert report
    assert code in {FINE, REFUSED}


TARGETS: Mapping[str, Target] = {
    "replies": Target(takes=replies, seeds=_reply_seeds(), tries=1_000),
    "frames": Target(takes=local_frames, seeds=tuple(frames.encode(ask) for ask in _ASKS)),
    "requests": Target(takes=requests, seeds=tuple(msgspec.json.encode(ask) for ask in _ASKS)),
    "signed": Target(takes=signed_requests, seeds=(*_SIGNED, *map(msgspec.json.encode, _CLAIMS))),
    "chunks": Target(takes=stored_chunks, seeds=_chunk_seeds()),
    "messages": Target(takes=messages, seeds=_message_seeds()),
    "configuration": Target(takes=configuration, seeds=(SITE.encode(),), tries=15),
}
