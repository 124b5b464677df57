"""The demo site's folder for one run."""

from pathlib import Path

import pytest
import yaml

from simulator.devices import DEVICES
from simulator.events import EVENTS
from simulator.site import DEMO_SITE, Office, write_site

PORTS = {"COM1": 40011, "RI1": 40023, "PC1": 40020}


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


def test_the_site_and_the_simulator_agree_where_every_tag_lies() -> None:
    shipped = yaml.safe_load((DEMO_SITE / "tags.yaml").read_text(encoding="utf-8"))["tags"]
    tables = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
    simulated = {
        point.tag: (device.name, tables[point.table], point.address)
        for device in DEVICES.values()
        for point in device.points
    }
    configured = {tag: (keys["device"], keys["table"], keys["address"]) for tag, keys in shipped.items()}
    assert {tag: configured[tag] for tag in configured if configured[tag] != simulated.get(tag)} == {}


def test_every_event_begins_an_hour_before_it_strikes() -> None:
    assert {event.strikes_ms - event.starts_ms for event in EVENTS.values()} == {3_600_000}
