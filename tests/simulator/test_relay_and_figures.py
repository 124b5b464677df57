"""The link that can be cut, and the figures of the machine."""

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from simulator.events import EVENTS
from simulator.figures import Figures, figures
from simulator.plant import Plant
from simulator.relay import Relay


async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while chunk := await reader.read(100):
        writer.write(chunk)
    writer.close()


def test_a_link_carries_both_ways_hangs_up_when_cut_and_carries_again() -> None:
    async def scenario() -> None:
        far = await asyncio.start_server(echo, "127.0.0.1", 0)
        relay = Relay(far.sockets[0].getsockname()[1])
        await relay.start()
        reader, writer = await asyncio.open_connection("127.0.0.1", relay.port)
        writer.write(b"there and back")
        assert await asyncio.wait_for(reader.readexactly(14), 2) == b"there and back"
        relay.switch(is_open=False)
        assert await asyncio.wait_for(reader.read(), 2) == b""
        refused, shut = await asyncio.open_connection("127.0.0.1", relay.port)
        assert await asyncio.wait_for(refused.read(), 2) == b""
        relay.switch(is_open=True)
        again, open_ = await asyncio.open_connection("127.0.0.1", relay.port)
        open_.write(b"back")
        assert await asyncio.wait_for(again.readexactly(4), 2) == b"back"
        for each in (writer, shut, open_):
            each.close()
        await relay.stop()
        far.close()
        await far.wait_closed()

    asyncio.run(scenario())


def test_figures_are_numbers_in_files_and_follow_the_plant(tmp_path: Path) -> None:
    plant, kept = Plant(EVENTS["calm"]), Figures(tmp_path / "figures")
    kept.write(plant)
    files = {path.name: float(path.read_text(encoding="ascii")) for path in (tmp_path / "figures").iterdir()}
    assert files == figures(plant)
    assert set(files) == {"clock_offset_s", "rssi_dbm", "disk_wear_percent", "temperature_c"}
    plant.added = replace(plant.added, link_lost=True, network_ahead_s=3_600.0)
    kept.renew(plant)
    assert float((tmp_path / "figures" / "rssi_dbm").read_text(encoding="ascii")) == files["rssi_dbm"]
    plant.advance(plant.now_ms + 15_000)
    kept.renew(plant)
    assert float((tmp_path / "figures" / "rssi_dbm").read_text(encoding="ascii")) == -113.0
    offset_s = float((tmp_path / "figures" / "clock_offset_s").read_text(encoding="ascii"))
    assert offset_s == pytest.approx(-3_600, abs=0.1)
    kept.clear()
    assert not (tmp_path / "figures").exists()


def test_a_sound_machine_is_within_its_limits_all_day() -> None:
    plant = Plant(EVENTS["calm"])
    for _ in range(24):
        plant.controller = replace(plant.controller, now_ms=plant.now_ms + 3_600_000)
        said = figures(plant)
        assert abs(said["clock_offset_s"]) < 2
        assert -95 < said["rssi_dbm"] < -80
        assert said["disk_wear_percent"] < 70
        assert 20 < said["temperature_c"] < 40
