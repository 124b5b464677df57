"""The state to begin with: what the store gives back of the last run, or latched safe when it gives nothing back."""

from dataclasses import dataclass

from gateway.core.outcome import Event, EventKind, Fact
from gateway.core.restart import resume
from gateway.core.state import Rules, ScanState, first_state
from gateway.core.tick import Tick
from gateway.store import journal, machine_state, sample_log
from gateway.store.database import Database, OpenedAs
from gateway.store.scan_state import Unreadable, from_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Beginning:
    """Where a run begins.

    Args:
        state: for the first scan.
        events: to be journaled with it.
        next_entry_n: number of the next journal entry.
        next_sample_n: number of the next sample.
    """

    state: ScanState
    events: tuple[Event, ...]
    next_entry_n: int
    next_sample_n: int


def begin(
    database: Database, rules: Rules, *, now: Tick, boot_id: str, version: str, changed: tuple[Event, ...] = ()
) -> Beginning:
    """Read what the last run left and go on from it.

    Args:
        database: just opened.
        rules: of the configuration that runs now.
        now: this start.
        boot_id: of the machine; the monotonic clock only compares within one boot.
        version: of the program, for the journal.
        changed: what the configuration says otherwise than before, for the journal.
    """
    with database.reader() as reader:
        saved = machine_state.load(reader)
        next_entry_n = journal.newest(reader).n + 1
        next_sample_n = sample_log.newest_n(reader) + 1
    state, events, found = _state(saved, rules, now, boot_id)
    facts: dict[str, Fact] = {"version": version, "state": found, "store": database.opened.store, "boot_id": boot_id}
    if isinstance(saved, machine_state.Saved):
        facts["last_saved_utc_ms"] = saved.tick.utc_ms  # the run before is known to have lived until then
    beginnings = [Event(kind=EventKind.START, facts=facts), *_replaced(database), *changed, *events]
    return Beginning(state=state, events=tuple(beginnings), next_entry_n=next_entry_n, next_sample_n=next_sample_n)


def _state(
    saved: machine_state.Saved | machine_state.Nothing | machine_state.Unreadable, rules: Rules, now: Tick, boot_id: str
) -> tuple[ScanState, list[Event], str]:
    if isinstance(saved, machine_state.Nothing):
        return *first_state(rules, now), "none saved"
    if isinstance(saved, machine_state.Unreadable):
        return *first_state(rules, now), saved.reason
    try:
        state = from_bytes(saved.state)
    except Unreadable as why:
        return *first_state(rules, now), str(why)
    same_boot = saved.boot_id == boot_id and saved.tick.monotonic_ms <= now.monotonic_ms
    return *resume(rules, state, now, same_boot=same_boot), "resumed"


def _replaced(database: Database) -> list[Event]:
    opened = database.opened
    if opened.found is not OpenedAs.SET_ASIDE:
        return []
    facts: dict[str, Fact] = {"set_aside": opened.set_aside}
    return [Event(kind=EventKind.STORE_REPLACED, reason=opened.reason, facts=facts)]
