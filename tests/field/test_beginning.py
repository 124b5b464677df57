"""With what a run begins: nothing saved, something unreadable, or the state of the last run, from a real store."""

from pathlib import Path

import pytest

from gateway.core.outcome import Event, EventKind
from gateway.core.output import START
from gateway.core.state import ScanState, rules_of
from gateway.core.tick import Tick
from gateway.field.beginning import Beginning, begin
from gateway.store import journal, machine_state
from gateway.store.database import Database, OpenedAs, Transaction
from gateway.store.migrations import PLANT as PLANT_TABLES
from gateway.store.scan_state import to_bytes
from tests.core.plants import PLANT, UTC_MS, Bench
from tests.field.fieldbench import CONFIGURATION, WAIT_S
from tests.store.support import entry

BOOT = "0f4b2e06-boot"


def delivering() -> ScanState:
    bench = Bench()
    bench.deliver()
    return bench.state


def saved(state: bytes, tick: Tick) -> machine_state.Saved:
    return machine_state.Saved(state=state, tick=tick, boot_id=BOOT, run=1, configuration=CONFIGURATION)


def keep(path: Path, state: bytes, tick: Tick, entries: int = 0) -> None:
    database = Database(path, PLANT_TABLES, utc_ms=UTC_MS)

    def work(transaction: Transaction) -> None:
        machine_state.save(transaction, saved(state, tick))
        journal.append(transaction, [entry(n) for n in range(1, entries + 1)])

    try:
        database.submit(work).result(WAIT_S)
    finally:
        database.close(WAIT_S)


def begun(path: Path, now: Tick, *, boot_id: str = BOOT) -> tuple[Beginning, OpenedAs]:
    database = Database(path, PLANT_TABLES, utc_ms=now.utc_ms)
    try:
        return begin(database, rules_of(PLANT), now=now, boot_id=boot_id, version="1.2.3"), database.opened.found
    finally:
        database.close(WAIT_S)


def later(state: ScanState, ms: int) -> Tick:
    return Tick(monotonic_ms=state.tick.monotonic_ms + ms, utc_ms=state.tick.utc_ms + ms)


def found(beginning: Beginning) -> object:
    assert beginning.events[0].kind is EventKind.START
    assert beginning.events[0].facts["version"] == "1.2.3"
    return beginning.events[0].facts["state"]


def kinds(beginning: Beginning) -> list[EventKind]:
    return [event.kind for event in beginning.events]


def test_with_nothing_saved_the_permission_is_latched(tmp_path: Path) -> None:
    beginning, opened = begun(tmp_path / "plant.db", Tick(monotonic_ms=5_000, utc_ms=UTC_MS))
    assert (found(beginning), opened) == ("none saved", OpenedAs.FRESH)
    assert "last_saved_utc_ms" not in beginning.events[0].facts
    assert kinds(beginning) == [EventKind.START, EventKind.START_LATCHED]
    assert beginning.state.outputs["product"].latches == (START,)
    assert (beginning.next_entry_n, beginning.next_sample_n) == (1, 1)


def test_the_state_of_the_last_run_goes_on_and_so_do_the_numbers(tmp_path: Path) -> None:
    state = delivering()
    keep(tmp_path / "plant.db", to_bytes(state), state.tick, entries=12)
    beginning, _ = begun(tmp_path / "plant.db", later(state, 5_000))
    assert found(beginning) == "resumed"
    assert kinds(beginning) == [EventKind.START, EventKind.PROVING]
    assert beginning.events[0].facts["last_saved_utc_ms"] == state.tick.utc_ms
    assert beginning.state.scan == state.scan
    assert beginning.state.outputs["product"].proving
    assert beginning.state.outputs["product"].level == "withdrawn"
    assert beginning.next_entry_n == 13


@pytest.mark.parametrize(
    ("boot_id", "ms"),
    [
        pytest.param("another boot", 5_000, id="another boot"),
        pytest.param(BOOT, -1, id="a monotonic clock that stands before the save"),
        pytest.param(BOOT, 60_000, id="a minute later"),
    ],
)
def test_a_permission_does_not_prove_itself_after_another_boot_or_a_long_time(
    tmp_path: Path, boot_id: str, ms: int
) -> None:
    state = delivering()
    keep(tmp_path / "plant.db", to_bytes(state), state.tick)
    beginning, _ = begun(tmp_path / "plant.db", later(state, ms), boot_id=boot_id)
    assert found(beginning) == "resumed"
    assert beginning.state.outputs["product"].latches == (START,)


def test_a_state_of_another_shape_is_told_and_begins_latched(tmp_path: Path) -> None:
    state = delivering()
    keep(tmp_path / "plant.db", b"from another program", state.tick)
    beginning, _ = begun(tmp_path / "plant.db", later(state, 5_000))
    assert str(found(beginning)).startswith("the saved state cannot be read")
    assert EventKind.START_LATCHED in kinds(beginning)
    assert beginning.state.outputs["product"].latches == (START,)


def test_a_row_that_was_changed_is_told_and_begins_latched(tmp_path: Path) -> None:
    state = delivering()
    path = tmp_path / "plant.db"
    keep(path, to_bytes(state), state.tick)
    database = Database(path, PLANT_TABLES, utc_ms=UTC_MS)
    later_tick = "UPDATE machine_state SET monotonic_ms = monotonic_ms + 1"
    database.submit(lambda transaction: transaction.execute(later_tick).rowcount).result(WAIT_S)
    database.close(WAIT_S)
    beginning, _ = begun(path, later(state, 5_000))
    assert found(beginning) == "the saved state does not match its checksum"
    assert beginning.state.outputs["product"].latches == (START,)


def test_a_damaged_store_is_set_aside_and_the_journal_says_so(tmp_path: Path) -> None:
    state = delivering()
    path = tmp_path / "plant.db"
    keep(path, to_bytes(state), state.tick, entries=3)
    octets = bytearray(path.read_bytes())
    octets[:4_096] = b"\x5a" * 4_096
    path.write_bytes(octets)
    beginning, opened = begun(path, later(state, 5_000))
    assert opened is OpenedAs.SET_ASIDE
    assert kinds(beginning) == [EventKind.START, EventKind.STORE_REPLACED, EventKind.START_LATCHED]
    assert (tmp_path / str(beginning.events[1].facts["set_aside"])).exists()
    assert beginning.next_entry_n == 1


def test_what_was_changed_in_the_configuration_is_told_right_after_the_start_with_the_boot_it_happened_in(
    tmp_path: Path,
) -> None:
    state = delivering()
    path = tmp_path / "plant.db"
    keep(path, to_bytes(state), state.tick)
    changed = Event(kind=EventKind.LIMIT_CHANGE, subject="TURB-HIGH", facts={"old": 5.0, "new": 6.0})
    database = Database(path, PLANT_TABLES, utc_ms=UTC_MS)
    try:
        beginning = begin(
            database,
            rules_of(PLANT),
            now=later(state, 5_000),
            boot_id=BOOT,
            version="1.2.3",
            changed=(changed,),
        )
    finally:
        database.close(WAIT_S)
    assert beginning.events[0].facts["boot_id"] == BOOT
    assert beginning.events[1] == changed
    assert kinds(beginning)[2:] == [EventKind.PROVING]
