"""A small part of the campaign over disks and tampering, and that its rows can be lost at all."""

import os

import pytest

from gateway.field.housekeeping import Housekeeper
from gateway.store.wholeness import Whole
from tests.faults import row_disk, row_tampering
from tests.faults.frame import Row
from tests.faults.small_disk import NEEDS_ROOT

needs_a_small_disk = pytest.mark.skipif(os.geteuid() != 0, reason=NEEDS_ROOT)


@pytest.mark.parametrize("row", [row_disk.FULL, row_disk.START_ON_FULL], ids=["meanwhile", "at the start"])
@needs_a_small_disk
def test_with_no_octet_free_the_record_goes_on_and_what_goes_is_told(row: Row) -> None:
    found = row.run(1, 4)
    assert (found.tried, found.lost) == (1, [])


@needs_a_small_disk
def test_without_anybody_who_makes_room_the_record_would_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Housekeeper, "disk_full", lambda _: None)
    assert row_disk.FULL.run(1, 4).lost


def test_a_disk_that_refuses_costs_nothing_when_it_ends_in_time() -> None:
    found = row_disk.REFUSING.run(2, 4)
    assert (found.tried, found.lost) == (2, [])


TAMPERED = (row_tampering.STOPPED, row_tampering.KILLED, row_tampering.EXPORTED)


@pytest.mark.parametrize("row", TAMPERED, ids=["stopped", "killed", "export"])
def test_one_octet_changed_is_found_wherever_it_is(row: Row) -> None:
    found = row.run(6, 4)
    assert (found.tried, found.lost) == (6, [])


def test_a_check_that_finds_nothing_would_lose(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(row_tampering, "verify_stopped", lambda *_: Whole(parts=()))
    assert len(row_tampering.STOPPED.run(6, 4).lost) == 6
    assert row_tampering.KILLED.run(6, 4).lost
