"""Register maps: what a device of a kind says once is said of each, and a fault in a map is told in the map."""

from pathlib import Path

import pytest

from gateway.configuration.fault import Fault, Refused
from gateway.configuration.plant import load_site
from gateway.configuration.reading import configuration_hash, read_site
from gateway.configuration.report import check_report

MAP = """\
service: electromagnetic flow meter
manual_counts_from: 40001
longest_read: 32
points:
  flow:
    service: flow
    table: holding
    address: 10
    manual: "40011"
    type: float32
    byte_order: CDAB
    unit: m3/h
    range: [0, 60]
    poll_interval_s: 5
    bad_when: [{tag: point:status, bits: [0], reason: device_fault}]
  status:
    service: status bits
    table: holding
    address: 20
    type: uint16
    poll_interval_s: 5
  spare:
    service: never asked for
    table: input
    address: 1
    type: uint16
"""
SITE = """\
site: {id: maps, name: maps, time_zone: CET}
connections:
  L1: {transport: rtu_over_tcp, host: 127.0.0.1, port: 15001}
devices:
  FM1: {connection: L1, unit_id: 1, map: flow_meter}
  FM2: {connection: L1, unit_id: 2, map: flow_meter, longest_read: 16, service: the second}
"""
TAGS = """\
tags:
  FIT-1: {device: FM1, point: flow}
  FM1-STS: {device: FM1, point: status}
  FIT-2: {device: FM2, point: flow, range: [0, 30]}
  FM2-STS: {device: FM2, point: status, service: status of the second}
"""


@pytest.fixture
def small(tmp_path: Path) -> Path:
    folder = tmp_path / "small"
    (folder / "maps").mkdir(parents=True)
    for name, text in {"maps/flow_meter.yaml": MAP, "site.yaml": SITE, "tags.yaml": TAGS}.items():
        write(folder, name, text)
    folder.chmod(0o755)
    (folder / "maps").chmod(0o755)
    return folder


def write(folder: Path, name: str, text: str) -> None:
    (folder / name).write_text(text, encoding="utf-8")
    (folder / name).chmod(0o644)


def spoil(folder: Path, name: str, old: str, new: str) -> None:
    text = (folder / name).read_text(encoding="utf-8")
    assert text.count(old) == 1
    write(folder, name, text.replace(old, new))


def faults(folder: Path) -> tuple[Fault, ...]:
    with pytest.raises(Refused) as refused:
        load_site(folder)
    return refused.value.faults


def test_a_tag_takes_what_its_point_says_and_its_own_keys_go_first(small: Path) -> None:
    tags = read_site(small).tags
    assert (tags["FIT-1"].address, tags["FIT-1"].byte_order, tags["FIT-1"].range) == (10, "CDAB", (0, 60))
    assert tags["FIT-2"].range == (0, 30)
    assert tags["FM2-STS"].service == "status of the second"


def test_a_device_takes_its_manners_from_the_map_and_its_own_go_first(small: Path) -> None:
    devices = read_site(small).devices
    assert [(d.service, d.longest_read, d.manual_counts_from) for d in devices.values()] == [
        ("electromagnetic flow meter", 32, 40001),
        ("the second", 16, 40001),
    ]


def test_a_point_that_looks_at_another_looks_at_the_tag_of_its_own_device(small: Path) -> None:
    tags = read_site(small).tags
    assert [tags[name].bad_when[0].tag for name in ("FIT-1", "FIT-2")] == ["FM1-STS", "FM2-STS"]


def test_the_hash_is_that_of_the_site_written_out_in_full(small: Path) -> None:
    before = read_site(small)
    spoil(
        small,
        "tags.yaml",
        "{device: FM1, point: status}",
        "{device: FM1, point: status, service: status bits, table: holding, address: 20, type: uint16, "
        "poll_interval_s: 5}",
    )
    assert configuration_hash(read_site(small)) == configuration_hash(before)
    spoil(small, "maps/flow_meter.yaml", "range: [0, 60]", "range: [0, 61]")
    assert configuration_hash(read_site(small)) != configuration_hash(before)


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ("byte_order: CDAB", "byte_order: CADB", "points.flow.byte_order", "'CDAB'"),
        ("    address: 20\n", "    adress: 20\n", "points.status.adress", "Did you mean address?"),
        ("    address: 20\n", "    address: 020\n", "points.status.address", "leading zero"),
        ("longest_read: 32", "longest_read: 126", "longest_read", "at most 125"),
        ("longest_read: 32", "longest_raed: 32", "longest_raed", "Did you mean longest_read?"),
        ("address: 1\n    type: uint16", "address: 1\n    type: uint17", "points.spare.type", "'uint16'"),
        ("point:status", "point:stauts", "points.flow.bad_when[0].tag", "Did you mean status?"),
        ("service: electromagnetic flow meter\n", "", "service", "Add service"),
        ("range: [0, 60]", "range: [60, 0]", "points.flow.range", "bottom first"),
        ('manual: "40011"', 'manual: "40012"', "points.flow.address", "40001"),
    ],
)
def test_a_fault_in_a_map_is_told_once_with_the_maps_file_line_and_key(
    small: Path, old: str, new: str, key: str, says: str
) -> None:
    spoil(small, "tags.yaml", ", range: [0, 30]", "")
    spoil(small, "maps/flow_meter.yaml", old, new)
    (fault,) = faults(small)
    assert (fault.file, fault.key) == ("maps/flow_meter.yaml", key)
    assert says in str(fault)
    lines = (small / "maps/flow_meter.yaml").read_text(encoding="utf-8").splitlines()
    written_there = key.rpartition(".")[2].partition("[")[0] in lines[fault.line - 1]
    assert written_there or "[" in key or "Add" in str(fault)


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ("{device: FM1, point: flow}", "{device: FM1, point: flaw}", "tags.FIT-1.point", "Did you mean flow?"),
        ("{device: FM1, point: flow}", "{point: flow}", "tags.FIT-1.device", "Add device"),
        ("{device: FM1, point: flow}", "{device: FM3, point: flow}", "tags.FIT-1.device", "Did you mean FM"),
        ("{device: FM1, point: flow}", "{device: FM1, point: spare}", "tags.FIT-1.poll_interval_s", "no such key"),
        ("{device: FM1, point: flow}", "{device: FM1, point: flow, adress: 1}", "tags.FIT-1.adress", "address?"),
        ("  FM1-STS: {device: FM1, point: status}\n", "", "tags.FIT-1.point", "which no tag is"),
        ("tags:\n", "tags:\n  TWO: {device: FM1, point: status}\n", "tags.FIT-1.point", "TWO and FM1-STS"),
    ],
)
def test_a_tag_that_asks_the_map_for_what_it_cannot_give_is_told(
    small: Path, old: str, new: str, key: str, says: str
) -> None:
    spoil(small, "tags.yaml", old, new)
    (fault,) = faults(small)
    assert (fault.file, fault.key) == ("tags.yaml", key)
    assert says in str(fault)


def test_only_a_key_named_tag_can_name_a_point(small: Path) -> None:
    spoil(small, "maps/flow_meter.yaml", "service: status bits", 'service: "point:nothing"')
    assert read_site(small).tags["FM1-STS"].service == "point:nothing"


def test_an_unknown_map_is_told_at_the_device_and_nowhere_else(small: Path) -> None:
    spoil(small, "site.yaml", "unit_id: 1, map: flow_meter", "unit_id: 1, map: flow_metre")
    (fault,) = faults(small)
    assert (fault.file, fault.key, fault.advice) == ("site.yaml", "devices.FM1.map", "Did you mean flow_meter?")


def test_a_point_at_a_device_without_a_map_is_told(small: Path) -> None:
    spoil(
        small, "site.yaml", "FM2: {connection: L1, unit_id: 2, map: flow_meter, ", "FM2: {connection: L1, unit_id: 2, "
    )
    found = faults(small)
    assert [fault.key for fault in found] == ["tags.FIT-2.point", "tags.FM2-STS.point"]
    assert "FM2 has no map" in found[0].found


def test_an_unused_map_is_a_warning(small: Path) -> None:
    write(small, "maps/old.yaml", MAP)
    text, code = check_report(small)
    assert code == 0
    assert "maps/old.yaml:1: found a map that no device is made after" in text


def test_a_map_that_is_no_yaml_is_told_alone(small: Path) -> None:
    write(small, "maps/flow_meter.yaml", "points: [\n")
    assert [fault.file for fault in faults(small)] == ["maps/flow_meter.yaml"]


def test_a_map_that_others_may_write_or_that_would_not_be_read_is_refused(small: Path) -> None:
    (small / "maps/flow_meter.yaml").chmod(0o666)
    write(small, "maps/more.yml", MAP)
    assert [(fault.file, fault.found.partition(",")[0]) for fault in faults(small)] == [
        ("maps/flow_meter.yaml", "permissions 0666"),
        ("maps/more.yml", "a file that would not be read"),
    ]
