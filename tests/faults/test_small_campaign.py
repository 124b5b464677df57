"""A small part of the campaign over disks and tampering, and that its rows can be lost at all."""

import os
from collections.abc import Callable

import pytest

from gateway.field.housekeeping import Housekeeper
from gateway.store.wholeness import Whole
from tests.faults import disk, tampering
from tests.faults.small_disk import NEEDS_ROOT

Row = dict[str, str | int]
needs_a_small_disk = pytest.mark.skipif(os.geteuid() != 0, reason=NEEDS_ROOT)


@pytest.mark.parametrize("row", [disk.full, disk.start_on_full], ids=["meanwhile", "at the start"])
@needs_a_small_disk
def test_with_no_octet_free_the_record_goes_on_and_what_goes_is_told(row: Callable[[int, int], Row]) -> None:
    found = row(4, 1)
    assert (found["tried"], found["lost"]) == (1, 0), found["worst"]


@needs_a_small_disk
def test_without_anybody_who_makes_room_the_record_would_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Housekeeper, "disk_full", lambda _: None)
    assert disk.full(4, 1)["lost"] == 1


def test_a_disk_that_refuses_costs_nothing_when_it_ends_in_time() -> None:
    found = disk.refusing(4, 2)
    assert (found["tried"], found["lost"]) == (2, 0), found["worst"]


def test_one_octet_changed_is_found_wherever_it_is() -> None:
    for row in tampering.campaign(4, 6):
        assert (row["tried"], row["lost"]) == (6, 0), row


def test_a_check_that_finds_nothing_would_lose(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tampering, "verify_stopped", lambda *_: Whole(parts=()))
    lost = {str(row["fault"]): int(row["lost"]) for row in tampering.campaign(4, 6)}
    assert lost["one octet of a stopped record changed"] == 6
    assert lost["one octet of a killed process's record changed, in the database or in its log"] > 0
