"""Whom the site's record waits for before readings may go, and for how long it cannot be written."""

import asyncio
import contextlib
import shutil
from pathlib import Path

import pytest

from gateway.assembly.field_process import _failing_s, _keeping, field_parts
from gateway.configuration.plant import LoadedSite, load_site
from gateway.core.outcome import EventKind
from gateway.field.clock import ManualClock
from tests.faults.small_disk import NoSmallDisk, fill_up, small_disk
from tests.field.fieldbench import WAIT_S, Disk, Scans, recorder_on, until

MARROWFELL = Path(__file__).parents[2] / "config" / "marrowfell"
INFLUX = "  influx: {url: 'http://127.0.0.1:8428', bucket: plant, read_back: null}\n"


def site_with(folder: Path, *, mqtt: bool, influx: bool) -> LoadedSite:
    site = folder / "site"
    shutil.copytree(MARROWFELL, site)
    before, _, broker = (site / "place.yaml").read_text(encoding="utf-8").partition("uplink:\n")
    sections = (INFLUX if influx else "") + (broker if mqtt else "")
    (site / "place.yaml").write_text(before + (f"uplink:\n{sections}" if sections else ""), encoding="utf-8")
    return load_site(site)


@pytest.mark.parametrize(
    ("mqtt", "influx", "readers"),
    [(True, False, ("mqtt",)), (False, True, ("influx",)), (True, True, ("mqtt", "influx")), (False, False, ())],
)
def test_readings_stay_until_each_configured_receiver_has_them(
    tmp_path: Path, *, mqtt: bool, influx: bool, readers: tuple[str, ...]
) -> None:
    assert _keeping(site_with(tmp_path, mqtt=mqtt, influx=influx)).readers == readers


def test_the_record_has_been_failing_since_the_first_commit_that_did_until_one_succeeds(tmp_path: Path) -> None:
    disk = Disk(tmp_path / "plant.db")

    async def script() -> None:
        clock = ManualClock()
        recorder, scans = recorder_on(disk, clock, lambda _: None), Scans(clock)
        working = asyncio.create_task(recorder.run())
        assert _failing_s(recorder, clock) == 0
        disk.full = True
        recorder.note(*scans.next(EventKind.ALARM))
        await until(lambda: recorder.failing_since_ms is not None)
        clock.advance(25_000)
        assert _failing_s(recorder, clock) == 25
        await disk.settled()
        assert _failing_s(recorder, clock) == 25, "another failure begins nothing anew"
        disk.full = False
        for _ in range(60):  # it tries again by the clock; where it stands in its waiting is not this test's business
            clock.advance(1_000)
            await disk.settled()
            await clock.settle()
        assert recorder.failing_since_ms is None
        assert _failing_s(recorder, clock) == 0
        working.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await working

    try:
        asyncio.run(script())
    finally:
        disk.close(WAIT_S)


def test_a_start_on_a_full_disk_works_withdrawn(tmp_path: Path) -> None:
    """Its second and third start: the stop before has held room for each."""
    try:
        with small_disk(tmp_path, 24) as disk:
            asyncio.run(_started_on(disk))
    except NoSmallDisk as why:
        pytest.skip(str(why))


async def _started_on(disk: Path) -> None:
    loaded = site_with(disk, mqtt=True, influx=False)
    ballast = disk / "site" / "record" / "plant.ballast"
    for start in (1, 2, 3):
        parts = field_parts(loaded, ManualClock(monotonic_ms=1_000_000))
        assert (parts.database.opened.run, ballast.exists()) == (start, False)  # its room is the log's now
        assert {one.level for name, one in parts.scanner.state.outputs.items() if name == "product"} == {"withdrawn"}
        await parts.server.start()  # its socket is there on a full disk, too
        parts.scanner.once()
        assert await parts.recorder.finish(WAIT_S)
        await parts.server.close()
        parts.database.close(WAIT_S)
        parts.housekeeper.hold_ballast_for_next_start()
        fill_up(disk)
