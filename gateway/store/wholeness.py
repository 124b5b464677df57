"""Whether a whole record is what was written: journal, samples, configurations, positions and everything beside.

Goes through every table and says each place that is wrong. Reads only, in
pages, so that memory does not grow with the record. Never repairs anything.
"""

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from gateway.store import beginnings, closing_seal, journal, machine_state, positions, sample_digest, sample_log
from gateway.store.closing_seal import Closed
from gateway.store.database import Reader, blank_schema, remembered_run, rows, schema_of
from gateway.store.errors import StoreDamaged, StoreMisused
from gateway.store.findings import Fault, Finding
from gateway.store.journal import Head
from gateway.store.migrations import PLANT
from gateway.store.retention import HELD_ROOM
from gateway.store.seal import seal
from gateway.store.write_ahead_log import fault_in

_FILE_FAULTS = 20  # of SQLite's own check, at most


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of the record, checked.

    Args:
        name: of the part, for a person.
        checked: how many of what were looked at, in words.
        findings: everything that is wrong in it, in order.
    """

    name: str
    checked: str
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    """The record, checked.

    Args:
        parts: each of them.
        head: the newest journal line.
        closed: what the closing seal says; None when it was not asked.
    """

    parts: tuple[Part, ...]
    head: Head = field(default_factory=Head)
    closed: Closed | None = None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All of them."""
        return tuple(finding for part in self.parts for finding in part.findings)


def files_part(path: Path) -> tuple[Part, Closed]:
    """The files of a stopped record, before anything opens them.

    Args:
        path: the database file.

    Raises:
        OSError: one of them cannot be read.
    """
    findings = []
    closed = closing_seal.look(path)
    if closed is Closed.CHANGED:
        text = f"{path.name} is not, octet for octet, the file that the last stop left"
        findings.append(Finding(fault=Fault.EDITED, n=0, text=text))
    log = Path(f"{path}-wal")
    if log.exists() and (broken := fault_in(log.read_bytes())):
        text = (
            f"{log.name}: frame {broken.frame} is not what was written; it and {broken.behind} after it are not read, "
            "so that the newest commits are missing"
        )
        findings.append(Finding(fault=Fault.DAMAGED, n=broken.frame, text=text))
    return Part(name="files", checked="the files as a whole", findings=tuple(findings)), closed


def check(reader: Reader, path: Path, *, known: Mapping[int, bytes] | None = None) -> Whole:
    """Check every table of a record.

    Args:
        reader: of a record that nobody writes.
        path: the database file, for what lies beside it.
        known: journal hashes by number that were noted outside.

    Raises:
        StoreFailing, StoreBusy: it cannot be read now.
    """
    checks: tuple[tuple[str, Callable[[], tuple[str, list[Finding]]]], ...] = (
        ("database", lambda: _database(reader)),
        ("journal", lambda: _journal(reader, known or {})),
        ("samples", lambda: _samples(reader)),
        ("runs", lambda: _runs(reader, path)),
        ("configurations", lambda: _configurations(reader)),
        ("positions", lambda: _positions(reader)),
        ("states", lambda: _states(reader)),
    )
    parts = tuple(_part(name, one) for name, one in checks)
    try:
        head = journal.newest(reader)
    except (StoreDamaged, StoreMisused):
        head = Head()
    return Whole(parts=parts, head=head)


def _part(name: str, one: Callable[[], tuple[str, list[Finding]]]) -> Part:
    """Damage that stops a check is a finding of its own; the other parts are still looked at."""
    try:
        checked, findings = one()
    except (StoreDamaged, StoreMisused, TypeError, ValueError) as error:
        finding = Finding(fault=Fault.DAMAGED, n=0, text=f"cannot be read to its end: {error}")
        return Part(name=name, checked="not to its end", findings=(finding,))
    return Part(name=name, checked=checked, findings=tuple(findings))


def _database(reader: Reader) -> tuple[str, list[Finding]]:
    said = [str(text) for (text,) in rows(reader, f"PRAGMA integrity_check({_FILE_FAULTS})")]
    findings = [_damaged(0, text) for text in said if text != "ok"]
    expected, found = blank_schema(PLANT), schema_of(reader)
    changed = [name for name in sorted(expected.keys() | found.keys()) if expected.get(name) != found.get(name)]
    findings += [Finding(fault=Fault.EDITED, n=0, text=f"{name} is not laid out as it was made") for name in changed]
    steps = [(step.number, step.name) for step in PLANT.steps]
    if rows(reader, "SELECT number, name FROM migration ORDER BY number") != steps:
        findings.append(Finding(fault=Fault.EDITED, n=0, text="the record of the layout was changed"))
    return "pages and layout", findings


def _journal(reader: Reader, known: Mapping[int, bytes]) -> tuple[str, list[Finding]]:
    findings = journal.verify(reader, known=known)
    ((lines,),) = rows(reader, "SELECT count(*) FROM journal")
    return f"{lines} lines, each chained to the one before", findings


def _samples(reader: Reader) -> tuple[str, list[Finding]]:
    findings = sample_log.verify(reader)
    for last_n, first_n, sealed in rows(reader, "SELECT last_n, first_n, seal FROM sample_gap"):
        if seal(first_n, last_n) != sealed:
            findings.append(_damaged(last_n, f"the note of a gap up to sample {last_n} does not match its checksum"))
    backwards = """SELECT last_n, run, before FROM
        (SELECT last_n, run, lag(run) OVER (ORDER BY last_n) AS before FROM sample_chunk) WHERE run < before"""
    for last_n, run, before in rows(reader, backwards):
        text = f"the chunk up to sample {last_n} is of run {run}, after one of run {before}; runs only grow"
        findings.append(Finding(fault=Fault.INSERTED, n=last_n, text=text))
    ((chunks, samples),) = rows(reader, "SELECT count(*), coalesce(sum(last_n - first_n + 1), 0) FROM sample_chunk")
    compared, unfit = sample_digest.verify(reader)
    return f"{samples} samples in {chunks} chunks, {compared} days of them by their digest", [*findings, *unfit]


def _runs(reader: Reader, path: Path) -> tuple[str, list[Finding]]:
    found = rows(reader, "SELECT id, created_utc_ms, run, seal FROM store")
    if len(found) != 1 or seal(*found[0][:3]) != found[0][3]:
        return "the store's own record", [_damaged(0, "the store's id and run do not match their checksum")]
    run = found[0][2]
    ((newest,),) = rows(reader, "SELECT coalesce(max(run), 0) FROM sample_chunk")
    findings = []
    if newest > run:
        findings.append(Finding(fault=Fault.INSERTED, n=0, text=f"samples of run {newest}, the store has seen {run}"))
    beside = remembered_run(path)
    if beside is None:
        findings.append(_damaged(0, f"{path.name}.run does not match its checksum"))
    elif beside > run:
        text = f"the database has seen run {run}, {path.name}.run names {beside}: it is an older copy, or was cut"
        findings.append(Finding(fault=Fault.TRUNCATED, n=0, text=text))
    return f"{run} starts", findings


def _configurations(reader: Reader) -> tuple[str, list[Finding]]:
    findings, count = [], 0
    for number, name, document in _each(reader, "SELECT id, hash, document FROM configuration ORDER BY id"):
        count += 1
        if name == HELD_ROOM:
            continue
        if document is None:
            text = f"configuration {str(name)[:12]} is named, and its text is not there"
            findings.append(Finding(fault=Fault.DELETED, n=number, text=text))
        elif not isinstance(document, bytes) or hashlib.sha256(document).hexdigest() != name:
            findings.append(_damaged(number, f"the text of configuration {str(name)[:12]} does not match its hash"))
    return f"{count} texts, each with its hash", findings


def _positions(reader: Reader) -> tuple[str, list[Finding]]:
    findings, count = [], 0
    newest = {journal.STREAM: journal.newest(reader).n, sample_log.STREAM: sample_log.newest_n(reader)}
    ((store,),) = rows(reader, "SELECT id FROM store")
    for name, stream in rows(reader, "SELECT reader, stream FROM position"):
        count += 1
        position = positions.get(reader, reader=name, stream=stream)
        if position is None:
            findings.append(_damaged(0, f"the position of {name} in {stream} does not match its checksum"))
        elif position.store in ("", store) and position.n > newest.get(stream, 0):
            text = f"{name} had {stream} up to {position.n}, the newest is {newest.get(stream, 0)}: the end is gone"
            findings.append(Finding(fault=Fault.TRUNCATED, n=position.n, text=text))
    return f"{count} positions of readers", findings


def _states(reader: Reader) -> tuple[str, list[Finding]]:
    findings = []
    saved = machine_state.load(reader)
    if isinstance(saved, machine_state.Unreadable):
        findings.append(_damaged(0, saved.reason))
    try:
        begun = len(beginnings.fetch_all(reader))
    except StoreDamaged as error:
        return "the saved states", [*findings, _damaged(0, str(error))]
    return f"the saved state, and those that {begun} runs began with", findings


def _each(reader: Reader, sql: str) -> Iterator[tuple[int, object, object]]:
    """Row by row: one text of a configuration is some hundred kilobytes."""
    ((count,),) = rows(reader, "SELECT count(*) FROM configuration")
    for place in range(count):
        yield from rows(reader, f"{sql} LIMIT 1 OFFSET ?", (place,))


def _damaged(n: int, text: str) -> Finding:
    return Finding(fault=Fault.DAMAGED, n=n, text=text)
