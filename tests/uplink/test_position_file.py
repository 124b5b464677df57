"""Positions on a real database, and on a disk that refuses."""

import asyncio
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from gateway.store.database import Database
from gateway.store.errors import StoreFull
from gateway.store.migrations import UPLINK
from gateway.uplink.field_link import Position
from gateway.uplink.position_file import PositionFile

SOMEWHERE = Position(n=118, store="store-1")


def test_a_position_is_there_after_a_restart(tmp_path: Path) -> None:
    database = Database(tmp_path / "uplink.db", UPLINK, utc_ms=0)
    assert asyncio.run(PositionFile(database).get("mqtt", "journal")) is None
    asyncio.run(PositionFile(database).set("mqtt", "journal", SOMEWHERE))
    database.close(10)
    again = Database(tmp_path / "uplink.db", UPLINK, utc_ms=0)
    assert asyncio.run(PositionFile(again).get("mqtt", "journal")) == SOMEWHERE
    assert asyncio.run(PositionFile(again).get("mqtt", "samples")) is None
    again.close(10)


def test_a_full_disk_keeps_the_position_in_memory_and_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    database = Database(tmp_path / "uplink.db", UPLINK, utc_ms=0)

    def full(_work: Callable[..., Any]) -> Future[Any]:
        refused: Future[Any] = Future()
        refused.set_exception(StoreFull("no room"))
        return refused

    async def story() -> None:
        kept = PositionFile(database)
        await kept.set("mqtt", "journal", Position(n=1, store="store-1"))
        with monkeypatch.context() as disk:
            disk.setattr(database, "submit", full)
            await kept.set("mqtt", "journal", Position(n=2, store="store-1"))
            await kept.set("mqtt", "journal", Position(n=3, store="store-1"))
            assert await kept.get("mqtt", "journal") == Position(n=3, store="store-1")
        assert await PositionFile(database).get("mqtt", "journal") == Position(n=1, store="store-1")
        await kept.set("mqtt", "journal", Position(n=4, store="store-1"))
        assert await PositionFile(database).get("mqtt", "journal") == Position(n=4, store="store-1")

    asyncio.run(story())
    database.close(10)
    assert caplog.text.count("in memory alone") == 1
