"""The demo site's folder for one run."""

from pathlib import Path

import pytest
import yaml

from gateway.configuration.plant import load_site
from gateway.configuration.schema import REGISTERS
from simulator.devices import DEVICES, Point
from simulator.events import EVENTS
from simulator.site import DEMO_SITE, Office, write_site

PORTS = {"COM1": 40011, "COM2": 40012, "PC1": 40020, "UV1": 40021, "OZ1": 40022, "RI1": 40023}


def written(tmp_path: Path, page: Path | None = None) -> Path:
    return write_site(tmp_path / "site", ports=PORTS, page=page, uid=1234, office=Office(port=40883, client_id="t1"))


def test_everything_but_the_place_is_copied_as_it_stands(tmp_path: Path) -> None:
    site = written(tmp_path)
    names = {path.name for path in DEMO_SITE.glob("*.yaml")}
    assert {path.name for path in site.glob("*.yaml")} == names
    for name in names - {"place.yaml"}:
        assert (site / name).read_bytes() == (DEMO_SITE / name).read_bytes()


def test_the_place_is_that_of_the_run(tmp_path: Path) -> None:
    place = yaml.safe_load((written(tmp_path, tmp_path / "clock.page") / "place.yaml").read_text(encoding="utf-8"))
    assert {name: keys["port"] for name, keys in place["connections"].items()} == PORTS
    assert place["place"]["simulated_clock"] == str(tmp_path / "clock.page")
    assert place["place"]["figures_folder"] == str(tmp_path / "figures")
    assert place["people"]["VISITOR-OP"]["local_users"] == [1234]
    assert (place["uplink"]["mqtt"]["port"], place["uplink"]["mqtt"]["client_id"]) == (40883, "t1")


def test_it_has_the_same_keys_as_the_place_that_is_shipped(tmp_path: Path) -> None:
    mine = yaml.safe_load((written(tmp_path) / "place.yaml").read_text(encoding="utf-8"))
    shipped = yaml.safe_load((DEMO_SITE / "place.yaml").read_text(encoding="utf-8"))
    assert set(mine) == set(shipped)
    for section in ("place", "connections", "people"):
        assert set(mine[section]) == set(shipped[section])
    assert set(mine["uplink"]["mqtt"]) == set(shipped["uplink"]["mqtt"])


def test_a_missing_port_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(KeyError):
        write_site(tmp_path, ports={"COM1": 1}, page=None, uid=1, office=Office())


TABLES = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}


def simulated() -> dict[str, tuple[object, ...]]:
    """Where and how every tag lies in the simulated devices; a bit has no order and no scale."""
    return {
        point.tag: (device.name, device.line, device.unit_id, TABLES[point.table], point.address, *encoded(point))
        for device in DEVICES.values()
        for point in device.points
    }


def encoded(point: Point) -> tuple[object, ...]:
    if point.table in (1, 2):
        return ("bool",)
    counts = (6_400, 32_000) if point.span != (0.0, 0.0) else None
    order = point.encoding.order if REGISTERS[point.encoding.kind] > 1 and point.encoding.kind != "bcd48" else "ABCD"
    return (point.encoding.kind, order, 1.0 if counts else point.scale, counts)


def test_the_site_and_the_simulator_agree_where_and_how_every_tag_lies() -> None:
    site = load_site(DEMO_SITE).site
    mine = simulated()
    for tag, keys in site.tags.items():
        device = site.devices[keys.device]
        place = (keys.device, device.connection, device.unit_id, keys.table, keys.address)
        counts = None if keys.loop is None else (keys.loop.low_count, keys.loop.high_count)
        how = ("bool",) if keys.type == "bool" else (keys.type, keys.byte_order, keys.scale, counts)
        assert (*place, *how) == mine[tag], tag
    assert set(site.tags) == set(mine)


def test_every_event_begins_an_hour_before_it_strikes() -> None:
    assert {event.strikes_ms - event.starts_ms for event in EVENTS.values()} == {3_600_000}
