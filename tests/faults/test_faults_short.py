"""A few tries of each row that needs no plant, and proof that the rows notice what they are there to notice.

The row that kills the gateway on the simulated plant has its part in ``tests/acceptance/test_killed.py``.
"""

import asyncio
import struct
from collections.abc import Sequence
from pathlib import Path

import pytest
from msgspec.structs import replace

from gateway.configuration.schema import NetworkConnection
from gateway.drivers.driver import Block
from gateway.drivers.errors import NoAnswer
from gateway.local.messages import JournalEntry
from gateway.store import database as database_module
from gateway.store import journal, sample_log
from tests.faults import row_damaged_files, row_hostile_devices, row_killed_writer
from tests.faults.frame import Row, Tally, lines_of, merge, record_of
from tests.faults.row_killed_delivering import given_without
from tests.store.support import entry


def test_a_few_kills_of_a_writer_lose_nothing() -> None:
    tally = row_killed_writer.run(2, 5)
    assert (tally.tried, tally.lost) == (2, [])


def test_a_few_damaged_stores_are_started_from_and_every_kind_of_outcome_is_among_them() -> None:
    tally = row_damaged_files.run(18, 5)
    assert (tally.tried, tally.kept, tally.lost) == (18, 18, [])
    assert {"set aside", "kept, and the damage found", "an earlier moment, whole"} <= set(tally.counts)


def test_a_damaged_store_that_nobody_checks_is_noticed_by_the_row(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal, "verify", lambda _: [])
    monkeypatch.setattr(sample_log, "verify", lambda _: [])
    monkeypatch.setattr(database_module, "_check", lambda _: None)
    assert row_damaged_files.run(30, 5).lost


def test_thousands_of_replies_of_lying_devices_give_no_wrong_value() -> None:
    tally = row_hostile_devices.run(10_000, 5)
    assert tally.tried >= 10_000
    assert tally.lost == []
    assert {"ended as InvalidReply", "ended as NoAnswer", "ended as Refused"} <= set(tally.counts)


class Credulous:
    """A connection that takes the registers of whatever comes, and judges nothing."""

    def __init__(self, name: str, keys: NetworkConnection) -> None:
        self.name, self._keys, self._rtu = name, keys, keys.transport != "tcp"

    async def open(self) -> None:
        self._reader, self._writer = await asyncio.open_connection(self._keys.host, self._keys.port)

    async def read(self, block: Block) -> Sequence[int]:
        message = struct.pack(">BBHH", block.unit_id, 3, block.address, block.count)
        self._writer.write(struct.pack(">HHH", 1, 0, len(message)) + message)
        try:
            reply = await asyncio.wait_for(self._reader.read(4_096), self._keys.reply_timeout_s)
        except TimeoutError:
            raise NoAnswer("nothing") from None
        if not reply:
            await self.close()
            await self.open()
        octets = reply[9 : 9 + 2 * block.count]
        return tuple(struct.unpack(f">{len(octets) // 2}H", octets[: len(octets) // 2 * 2]))

    async def close(self) -> None:
        self._writer.close()


def test_a_driver_that_believes_what_comes_is_noticed_by_the_row(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(row_hostile_devices, "ModbusConnection", Credulous)
    monkeypatch.setattr(row_hostile_devices, "PART", {"tcp": 1.0})
    assert any("gives" in words for words in row_hostile_devices.run(400, 5).lost)


def a_row(most: float | None = None) -> Row:
    return Row(fault="f", promise="p", figure="s", most=most, goal=2, run=lambda _, __: Tally())


def test_a_row_is_kept_only_when_as_many_tries_as_its_goal_were_and_none_was_lost() -> None:
    tally = Tally()
    assert a_row().verdict(tally) == "lost"  # nothing tried shows nothing
    tally.one("")
    assert a_row().verdict(tally) == "kept so far"
    tally.one("")
    assert a_row().verdict(tally) == "kept"
    tally.at_worst(3.0)
    assert a_row(most=2.0).verdict(tally) == "lost"
    tally.one("a reading")
    assert a_row().verdict(tally) == "lost"
    assert "    LOST try 3: a reading" in lines_of("k", a_row(), tally, 1.0)


def test_rows_that_were_not_run_stay_in_the_file(tmp_path: Path) -> None:
    file = tmp_path / "results.json"
    for key in ("one", "two"):
        merge(file, {key: record_of(a_row(), Tally(tried=2, kept=2), seed=3, seconds=0.5)})
    assert '"one"' in file.read_text(encoding="utf-8")
    assert file.read_text(encoding="utf-8").count('"verdict": "kept"') == 2


def line(n: int, kind: str, to: str = "") -> JournalEntry:
    return replace(entry(n), kind=kind, subject="product", facts={"to": to})


@pytest.mark.parametrize("back", ["returned", "released"])
def test_a_permission_in_a_run_is_lost_unless_a_line_before_it_gives_it_back(back: str) -> None:
    given = line(2, "level", "permitted")
    assert given_without([line(1, "level", "withdrawn"), given]) == given
    assert given_without([line(1, back), given]) is None
    assert given_without([line(1, "proving"), given, line(3, back)]) == given
