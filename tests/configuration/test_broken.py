"""Broken sites: each fault is named once, on its line, in words, without a traceback."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from gateway.configuration.fault import Fault, Refused
from gateway.configuration.plant import load_site
from gateway.configuration.report import FINE, REFUSED, check_report


@dataclass(frozen=True, kw_only=True)
class Slip:
    """One edit of the demo site: ``old`` becomes ``new`` in ``file``; the fault is expected on the line of ``at``."""

    name: str
    file: str
    old: str
    new: str
    at: str
    key: str
    says: tuple[str, ...] = ()
    at_file: str = ""


SPARE_DEVICE = "devices:\n  SPARE: {service: a spare, connection: COM1, unit_id: 99}\n"
SPARE_CONNECTION = "connections:\n  SPARE: {transport: tcp, host: 127.0.0.1, port: 15099}\n"
ONLY_ABSENT = "roles: [ONCALL-2]\n    remote_allowed: false"

SLIPS = (
    # --- what YAML readers disagree about
    Slip(
        name="no",
        file="protection.yaml",
        old="    latched: false\n    restore_delay_s: 300",
        new="    latched: no\n    restore_delay_s: 300",
        at="latched: no",
        key="interlocks.I-13.latched",
        says=("true, false",),
    ),
    Slip(
        name="012",
        file="tags.yaml",
        old="address: 12\n",
        new="address: 012\n",
        at="address: 012",
        key="tags.AIT-511.address",
        says=("leading zero",),
    ),
    Slip(
        name="1e3",
        file="protection.yaml",
        old="trip_delay_s: 120",
        new="trip_delay_s: 1e3",
        at="1e3",
        key="interlocks.I-02.causes[0].trip_delay_s",
        says=("1e3", "written out"),
    ),
    Slip(
        name="sexagesimal",
        file="protection.yaml",
        old="trip_delay_s: 120",
        new="trip_delay_s: 2:00",
        at="2:00",
        key="interlocks.I-02.causes[0].trip_delay_s",
        says=("base of 60",),
    ),
    Slip(
        name="bare date",
        file="site.yaml",
        old="name: Marrowfell Saddle",
        new="name: 2025-02-26",
        at="2025-02-26",
        key="site.name",
        says=("quotes",),
    ),
    Slip(
        name="not a number",
        file="protection.yaml",
        old="limit: 2.0,",
        new="limit: .nan,",
        at=".nan",
        key="interlocks.I-02.causes[0].inputs[0].low.limit",
        says=("finite",),
    ),
    # --- keys and types
    Slip(
        name="duplicate key",
        file="tags.yaml",
        old="    address: 14\n",
        new="    address: 14\n    address: 99\n",
        at="address: 99",
        key="tags.AIT-512.address",
        says=("second time", "line"),
    ),
    Slip(
        name="unknown key",
        file="site.yaml",
        old="scan_period_s: 1 ",
        new="scan_perod_s: 1 ",
        at="scan_perod_s",
        key="site.scan_perod_s",
        says=("scan_period_s?",),
    ),
    Slip(
        name="misspelt required key",
        file="devices.yaml",
        old="    unit_id: 11\n",
        new="    unitid: 11\n",
        at="unitid",
        key="devices.AN1.unitid",
        says=("unit_id?",),
    ),
    Slip(
        name="unknown section",
        file="alarms.yaml",
        old="first_out_groups:",
        new="first_out_group:",
        at="first_out_group:",
        key="first_out_group",
        says=("first_out_groups?",),
    ),
    Slip(
        name="missing key",
        file="devices.yaml",
        old="    unit_id: 7\n",
        new="",
        at="  RI1:",
        key="devices.RI1.unit_id",
        says=("Add unit_id",),
    ),
    Slip(
        name="wrong type",
        file="devices.yaml",
        old="unit_id: 11",
        new="unit_id: eleven",
        at="eleven",
        key="devices.AN1.unit_id",
        says=("a whole number",),
    ),
    Slip(
        name="number in quotes",
        file="devices.yaml",
        old="unit_id: 11",
        new='unit_id: "11"',
        at='"11"',
        key="devices.AN1.unit_id",
        says=("Take the quotes away",),
    ),
    Slip(
        name="not one of the words",
        file="tags.yaml",
        old="byte_order: CDAB\n    unit: mL/min",
        new="byte_order: CADB\n    unit: mL/min",
        at="CADB",
        key="tags.FIT-510S.byte_order",
        says=("'CDAB'",),
    ),
    Slip(
        name="out of range",
        file="site.yaml",
        old="scan_period_s: 1 ",
        new="scan_period_s: 60 ",
        at="60",
        key="site.scan_period_s",
        says=("at most 10",),
    ),
    Slip(
        name="two conditions in one",
        file="protection.yaml",
        old="{low: {tag: AIT-801, limit: 2.0, deadband: 0.2}}",
        new="{low: {tag: AIT-801, limit: 2.0}, equals: {tag: AIT-801}}",
        at="equals: {tag: AIT-801}",
        key="interlocks.I-02.causes[0].inputs[0]",
        says=("exactly one of",),
    ),
    Slip(
        name="unknown transport",
        file="place.yaml",
        old="PC1: {transport: tcp,",
        new="PC1: {transport: udp,",
        at="udp",
        key="connections.PC1.transport",
        says=("rtu_over_tcp",),
    ),
    Slip(
        name="literal secret",
        file="place.yaml",
        old="    password: null",
        new="    password: hunter2",
        at="hunter2",
        key="uplink.mqtt.password",
        says=("not shown", "{file: PATH}"),
    ),
    Slip(
        name="alarm without action",
        file="alarms.yaml",
        old="    action: check heater and door\n",
        new="",
        at="  ROOM-COLD:",
        key="alarms.ROOM-COLD.action",
        says=("Add action",),
    ),
    Slip(
        name="alarm with a placeholder",
        file="alarms.yaml",
        old="action: check heater and door",
        new="action: TODO",
        at="TODO",
        key="alarms.ROOM-COLD.action",
        says=("a sentence",),
    ),
    # --- names
    Slip(
        name="unknown tag",
        file="protection.yaml",
        old="{low: {tag: AIT-801, limit",
        new="{low: {tag: AIT-810, limit",
        at="AIT-810",
        key="interlocks.I-02.causes[0].inputs[0].low.tag",
        says=("AIT-810", "not declared", "Did you mean"),
    ),
    Slip(
        name="unknown device",
        file="tags.yaml",
        old="    device: AN1\n    table: holding\n    address: 90",
        new="    device: AN9\n    table: holding\n    address: 90",
        at="AN9",
        key="tags.AN1-TST.device",
        says=("AN",),
    ),
    Slip(
        name="unknown connection",
        file="devices.yaml",
        old="connection: RI1",
        new="connection: RI2",
        at="connection: RI2",
        key="devices.RI1.connection",
        says=("connections",),
    ),
    Slip(
        name="unknown role",
        file="place.yaml",
        old="DUTY-MGR: {role: DUTY-MGR,",
        new="DUTY-MGR: {role: DUTY-MNG,",
        at="DUTY-MNG",
        key="people.DUTY-MGR.role",
        says=("Did you mean DUTY-MGR?",),
    ),
    Slip(
        name="unknown interlock",
        file="protection.yaml",
        old="exempt: [I-09]",
        new="exempt: [I-19]",
        at="I-19",
        key="releases.product.exempt[0]",
        says=("I-",),
    ),
    Slip(
        name="unknown grab quantity",
        file="protection.yaml",
        old="{quantity: turbidity_ntu,",
        new="{quantity: turbidity,",
        at="{quantity: turbidity,",
        key="releases.product.grab[0].quantity",
        says=("turbidity_ntu?",),
    ),
    Slip(
        name="unknown effect level",
        file="protection.yaml",
        old="effects: {supply: stop}",
        new="effects: {supply: stoop}",
        at="stoop",
        key="interlocks.I-09.effects.supply",
        says=("Did you mean stop?",),
    ),
    Slip(
        name="unknown time zone",
        file="site.yaml",
        old="time_zone: CET",
        new="time_zone: Europe/Pariss",
        at="Pariss",
        key="site.time_zone",
        says=("Europe/Paris?",),
    ),
    # --- registers
    Slip(
        name="overlapping registers",
        file="tags.yaml",
        old='address: 12\n    manual: "40013"',
        new='address: 11\n    manual: "40012"',
        at="holding\n    address: 11",
        key="tags.AIT-511.address",
        says=("AIT-501",),
    ),
    Slip(
        name="address against the manual",
        file="tags.yaml",
        old="address: 16\n",
        new="address: 17\n",
        at="address: 17",
        key="tags.AIT-510.address",
        says=("40017", "16"),
    ),
    Slip(
        name="beyond the table",
        file="tags.yaml",
        old='address: 90\n    manual: "40091"',
        new='address: 65535\n    manual: "105536"',
        at="address: 65535",
        key="tags.AN1-TST.address",
        says=("65535",),
    ),
    Slip(
        name="bit in a register table",
        file="tags.yaml",
        old='    table: discrete\n    address: 7\n    manual: "7"\n',
        new='    table: input\n    address: 17\n    manual: "17"\n',
        at='    address: 17\n    manual: "17"\n    type: bool',
        key="tags.DOOR-1.type",
        says=("bool in the input table",),
    ),
    Slip(
        name="longer than the longest read",
        file="devices.yaml",
        old="longest_read: 64 ",
        new="longest_read: 3 ",
        at="registers: [GW-HB",
        key="output_block.registers",
        says=("longest read of PC1",),
        at_file="protection.yaml",
    ),
    Slip(
        name="read longer than the protocol",
        file="devices.yaml",
        old="longest_read: 64 ",
        new="longest_read: 126 ",
        at="126",
        key="devices.PC1.longest_read",
        says=("at most 125",),
    ),
    Slip(
        name="two devices with one unit id",
        file="devices.yaml",
        old="unit_id: 12",
        new="unit_id: 11",
        at="pH analyzer\n    connection: COM1\n    unit_id: 11",
        key="devices.AN2.unit_id",
        says=("AN1",),
    ),
    Slip(
        name="two connections to one place",
        file="place.yaml",
        old="port: 15020",
        new="port: 15023",
        at="PC1: {",
        key="connections.PC1.port",
        says=("RI1",),
    ),
    Slip(
        name="bit beyond the register",
        file="tags.yaml",
        old="bits: [5], reason: no_sample_flow",
        new="bits: [16], reason: no_sample_flow",
        at="[16]",
        key="tags.AIT-951.bad_when[2].bits[0]",
        says=("0 to 15",),
    ),
    Slip(
        name="loop without a range",
        file="tags.yaml",
        old="    range: [0, 2.5]\n",
        new="",
        at='address: 0\n    manual: "0"\n    type: uint16\n    loop:',
        key="tags.LIT-101.loop",
        says=("range",),
    ),
    Slip(
        name="range upside down",
        file="tags.yaml",
        old="range: [-20, 60]",
        new="range: [60, -20]",
        at="[60, -20]",
        key="tags.TIT-001.range",
        says=("bottom first",),
    ),
    # --- ages, limits, delays
    Slip(
        name="stale before the third poll",
        file="tags.yaml",
        old="stale_after_s: 15 ",
        new="stale_after_s: 8 ",
        at="stale_after_s: 8",
        key="tags.PC1-HB.stale_after_s",
        says=("three times",),
    ),
    Slip(
        name="protective input that never is stale",
        file="tags.yaml",
        old="stale_after_s: 15 ",
        new="stale_after_s: 86400 ",
        at="stale_after_s: 86400",
        key="tags.PC1-HB.stale_after_s",
        says=("no limit",),
    ),
    Slip(
        name="circular governing",
        file="tags.yaml",
        old="    unit: mL/min\n",
        new="    unit: mL/min\n    valid_when: [{tag: AIT-510, minimum: 0}]\n",
        at="{tag: FIT-510S, minimum: 100",
        key="tags.AIT-510.valid_when[1].tag",
        says=("circle",),
    ),
    Slip(
        name="limit beyond the span",
        file="protection.yaml",
        old="{tag: AIT-510, limit: 10,",
        new="{tag: AIT-510, limit: 20,",
        at="limit: 20,",
        key="interlocks.I-01.causes[0].inputs[0].high.limit",
        says=("top of AIT-510",),
    ),
    # --- outputs and interlocks
    Slip(
        name="output on a read-only table",
        file="protection.yaml",
        old="register: GW-FEED",
        new="register: LIT-410",
        at="register: LIT-410",
        key="outputs.feed.register",
        says=("read-only",),
    ),
    Slip(
        name="safe is normal",
        file="protection.yaml",
        old="normal_level: permitted",
        new="normal_level: withdrawn",
        at="normal_level: withdrawn",
        key="outputs.product.normal_level",
        says=("safe level",),
    ),
    Slip(
        name="interlock without effect",
        file="protection.yaml",
        old="    effects: {supply: stop}\n",
        new="",
        at="  I-09:",
        key="interlocks.I-09",
        says=("without effects",),
    ),
    Slip(
        name="bad elsewhere and nobody there",
        file="protection.yaml",
        old="bad: vote_trip\n        bad_trip_delay_s: 1800 #",
        new="bad: elsewhere\n        #",
        at="trip_delay_s: 1800\n        bad: elsewhere",
        key="interlocks.I-09.causes[0].bad",
        says=("bad_quality of AIT-951",),
    ),
    Slip(
        name="nobody can release",
        file="protection.yaml",
        old="  feed:\n    clear_s: 0\n",
        new="  supplies:\n    clear_s: 0\n",
        at="  supplies:",
        key="releases.supplies",
        says=("supply?",),
    ),
    Slip(
        name="alarms that silence each other",
        file="alarms.yaml",
        old="    value: PC1-HB\n",
        new="    suppress_when: {alarm: PRODUCT-UNCONFIRMED}\n",
        at="suppress_when: {alarm: PRODUCT-UNCONFIRMED}",
        key="alarms.CONTROLLER-LOST.suppress_when.alarm",
        says=("circle",),
    ),
    Slip(
        name="broadcast as a unit id",
        file="devices.yaml",
        old="unit_id: 12",
        new="unit_id: 0",
        at="unit_id: 0",
        key="devices.AN2.unit_id",
        says=("1 to 247",),
    ),
    Slip(
        name="value longer than the longest read",
        file="devices.yaml",
        old="unit_id: 12\n",
        new="unit_id: 12\n    longest_read: 0\n",
        at="longest_read: 0",
        key="devices.AN2.longest_read",
        says=("at least 1",),
    ),
    Slip(
        name="limit on a contact",
        file="protection.yaml",
        old="{low: {tag: AIT-951, limit: 0.5, deadband: 0.1}}",
        new="{low: {tag: FSL-801, limit: 0.5, deadband: 0.1}}",
        at="{low: {tag: FSL-801",
        key="interlocks.I-09.causes[0].inputs[0].low",
        says=("equals",),
    ),
    Slip(
        name="unlike units",
        file="protection.yaml",
        old="{low: {tag: AIT-951, limit: 0.5, deadband: 0.1}}",
        new="{deviation: {tag: AIT-951, other: AIT-802, limit: 0.5}}",
        at="other: AIT-802",
        key="interlocks.I-09.causes[0].inputs[0].deviation.other",
        says=("mg/L", "pH"),
    ),
    Slip(
        name="flow in another unit",
        file="protection.yaml",
        old="exposure: {flow: FSP-201, volume_l: 5150, stopped_by: feed} # from",
        new="exposure: {flow: FIT-510S, volume_l: 5150, stopped_by: feed} # from",
        at="flow: FIT-510S",
        key="interlocks.I-01.exposure.flow",
        says=("m3/h",),
    ),
    Slip(
        name="more votes than inputs",
        file="protection.yaml",
        old="        trip_delay_s: 120\n",
        new="        trip_delay_s: 120\n        needed: 2\n",
        at="needed: 2",
        key="interlocks.I-02.causes[0].needed",
        says=("at most 1",),
    ),
    Slip(
        name="interlocks that trip each other",
        file="protection.yaml",
        old="{low: {tag: AIT-951, limit: 0.5, deadband: 0.1}}",
        new="{tripped: {interlock: I-09}}",
        at="  I-09:",
        key="interlocks.I-09",
        says=("circle",),
    ),
    Slip(
        name="releases after each other",
        file="protection.yaml",
        old="    remote_allowed: false\n",
        new="    after_outputs: [product]\n",
        at="after_outputs: [feed]",
        key="releases.product.after_outputs",
        says=("circle",),
    ),
    Slip(
        name="gap in the output block",
        file="protection.yaml",
        old="registers: [GW-HB, GW-PERMIT, GW-FEED, GW-DELIV]",
        new="registers: [GW-HB, GW-PERMIT, GW-DELIV, GW-FEED]",
        at="registers: [GW-HB",
        key="output_block.registers[2]",
        says=("322",),
    ),
    Slip(
        name="two levels of one code",
        file="protection.yaml",
        old="levels: {permitted: 42405, withdrawn: 0}",
        new="levels: {permitted: 42405, withdrawn: 42405}",
        at="withdrawn: 42405",
        key="outputs.product.levels.withdrawn",
        says=("permitted",),
    ),
    Slip(
        name="hurried slower than the poll",
        file="tags.yaml",
        old="hurried_interval_s: 1 ",
        new="hurried_interval_s: 10 ",
        at="hurried_interval_s: 10",
        key="tags.ZSC-901.hurried_interval_s",
        says=("slower",),
    ),
    # --- the place
    Slip(
        name="root is a person",
        file="place.yaml",
        old="local_users: [1000]",
        new="local_users: [0]",
        at="[0]",
        key="people.VISITOR-OP.local_users[0]",
        says=("root",),
    ),
    Slip(
        name="uplink in clear text",
        file="place.yaml",
        old="    host: 127.0.0.1 # away",
        new="    host: broker.dunmarrow.example # away",
        at="broker.dunmarrow.example",
        key="uplink.mqtt.host",
        says=("tls",),
    ),
)


def spoil(folder: Path, slip: Slip) -> tuple[str, int]:
    """Make the edit; the file and line on which the fault is expected: where ``at``, found once, ends."""
    path = folder / slip.file
    text = path.read_text(encoding="utf-8")
    assert slip.old in text, f"{slip.name}: the demo site has changed, {slip.old!r} is gone"
    path.write_text(text.replace(slip.old, slip.new, 1), encoding="utf-8")
    seen = (folder / (slip.at_file or slip.file)).read_text(encoding="utf-8")
    assert seen.count(slip.at) == 1, f"{slip.name}: {slip.at!r} stands {seen.count(slip.at)} times"
    return slip.at_file or slip.file, seen.count("\n", 0, seen.index(slip.at) + len(slip.at)) + 1


def faults_of(folder: Path) -> tuple[Fault, ...]:
    with pytest.raises(Refused) as refused:
        load_site(folder)
    return refused.value.faults


@pytest.mark.parametrize("slip", SLIPS, ids=lambda slip: slip.name)
def test_a_slip_is_named_once_and_on_its_line(folder: Path, slip: Slip) -> None:
    file, line = spoil(folder, slip)
    faults = faults_of(folder)
    assert [(fault.file, fault.line, fault.key) for fault in faults] == [(file, line, slip.key)], faults
    assert all(words in str(faults[0]) for words in slip.says), str(faults[0])


@pytest.mark.parametrize("slip", SLIPS, ids=lambda slip: slip.name)
def test_a_slip_is_refused_in_at_most_two_lines_and_with_exit_code_3(folder: Path, slip: Slip) -> None:
    spoil(folder, slip)
    text, code = check_report(folder)
    assert code == REFUSED
    assert "Traceback" not in text
    assert len(text.splitlines()) <= 4  # the fault, an empty line, and how many there are
    assert text.endswith("refused, 1 fault")


def test_a_secret_that_stands_in_a_file_is_never_shown(folder: Path) -> None:
    place = folder / "place.yaml"
    place.write_text(place.read_text().replace("password: null", "password: {literal: hunter2}"), encoding="utf-8")
    text, code = check_report(folder)
    assert code == REFUSED
    assert "literal" in text
    assert "hunter2" not in text


def test_all_faults_of_all_files_and_kinds_come_at_once(folder: Path) -> None:
    """A fault of YAML, one of a key, one of a value and one between keys, in four files."""
    names = ("unknown key", "wrong type", "012", "unknown interlock", "alarm without action", "root is a person")
    chosen = [slip for slip in SLIPS if slip.name in names]
    assert len(chosen) == len(names)
    for slip in chosen:
        spoil(folder, slip)
    assert {fault.key for fault in faults_of(folder)} == {slip.key for slip in chosen}


def test_a_broken_entry_is_not_told_again_where_it_is_used(folder: Path) -> None:
    """AN1 cannot be read, and not one of its eight tags is said to be of an unknown device."""
    devices = folder / "devices.yaml"
    devices.write_text(devices.read_text().replace("unit_id: 11", "unit_id: 1100"), encoding="utf-8")
    assert [fault.key for fault in faults_of(folder)] == ["devices.AN1.unit_id"]


def test_a_file_with_broken_syntax_is_told_once_and_its_keys_are_not_missed(folder: Path) -> None:
    site = folder / "site.yaml"
    site.write_text("site: {id: marrowfell\nroles: [\n", encoding="utf-8")
    assert [(fault.file, fault.key) for fault in faults_of(folder)] == [("site.yaml", "")]


def test_a_key_in_two_files_is_refused(folder: Path) -> None:
    (folder / "more.yaml").write_text("\ntags: {}\n", encoding="utf-8")
    line = (folder / "tags.yaml").read_text().splitlines().index("tags:") + 1
    faults = faults_of(folder)
    assert [(fault.file, fault.line, fault.key) for fault in faults] == [("tags.yaml", line, "tags")]
    assert "more.yaml, line 2" in faults[0].allowed


@pytest.mark.parametrize("name", ["tags.yaml", ""])
def test_what_everybody_may_change_is_refused(folder: Path, name: str) -> None:
    (folder / name).chmod(0o777)
    faults = faults_of(folder)
    assert len(faults) == 1
    assert "0777" in faults[0].found
    assert "chmod o-w" in faults[0].advice


def test_a_top_level_key_twice_in_a_file_is_told_once(folder: Path) -> None:
    tags = folder / "tags.yaml"
    tags.write_text("tags: {}\n" + tags.read_text(), encoding="utf-8")
    assert [(fault.file, fault.key) for fault in faults_of(folder)] == [("tags.yaml", "tags")]


def test_a_file_that_would_be_passed_over_is_refused(folder: Path) -> None:
    (folder / "alarms2.yml").write_text("alarms: {}\n", encoding="utf-8")
    assert [fault.file for fault in faults_of(folder)] == ["alarms2.yml"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"a: \xff\n", "UTF-8"),
        (b"a: \x00\n", "not allowed in YAML"),
        (b"- 1\n- 2\n", "a list"),
        (b"just words\n", "a single value"),
        (b"a: 1\n---\nb: 2\n", "second document"),
        (b"a: &x 1\n", "anchor"),
        (b"devices: {A: {map: {transport: tcp}}}\n", "devices.A.map"),
        (b"a: !!python/object:os.system {}\n", "tag"),
        (b"<<: {a: 1}\n", "merge"),
        (b"? [1]\n: 2\n", "key that is a list"),
        (b"[" * 100_000, "nesting"),
        (b"a:\n" + b"".join(b" " * n + b"k:\n" for n in range(1, 40)), "nested deeper"),
        (b"a: '" + b"x" * 2_000_000 + b"'\n", "bytes"),
    ],
)
def test_a_hostile_file_is_a_fault_and_no_traceback(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "site.yaml").write_bytes(content)
    text, code = check_report(tmp_path)
    assert code == REFUSED
    assert words in text


@pytest.mark.parametrize("kind", ["missing", "file", "empty"])
def test_what_is_no_site_folder_is_refused(tmp_path: Path, kind: str) -> None:
    place = tmp_path if kind == "empty" else tmp_path / "site"
    if kind == "file":
        place.write_text("site: 1", encoding="utf-8")
    text, code = check_report(place)
    assert code == REFUSED
    assert "site folder" in text


def test_a_simulated_clock_is_refused_beside_a_real_device(folder: Path) -> None:
    place = folder / "place.yaml"
    text = place.read_text().replace("simulated_clock: null", "simulated_clock: clock.page")
    place.write_text(text.replace("RI1: {transport: tcp, host: 127.0.0.1", "RI1: {transport: tcp, host: 192.168.40.23"))
    assert [fault.key for fault in faults_of(folder)] == ["connections.RI1.host"]


def test_root_may_be_a_person_beside_a_simulated_plant(folder: Path) -> None:
    place = folder / "place.yaml"
    text = place.read_text().replace("simulated_clock: null", "simulated_clock: clock.page")
    place.write_text(text.replace("local_users: [1000]", "local_users: [0]"), encoding="utf-8")
    assert check_report(folder)[1] == FINE


@pytest.mark.parametrize(
    ("file", "old", "new", "key"),
    [
        ("tags.yaml", "range: [0, 20]\n    clips_at_top", "range: [0, 11]\n    clips_at_top", "tags.AIT-510.range"),
        ("devices.yaml", "devices:\n", SPARE_DEVICE, "devices.SPARE"),
        ("place.yaml", "connections:\n", SPARE_CONNECTION, "connections.SPARE"),
        ("alarms.yaml", "on_delay_s: 300", "on_delay_s: 3", "alarms.OZONE-ROOM.on_delay_s"),
        (
            "protection.yaml",
            "roles: [VISITOR-OP, DUTY-MGR]\n    remote_allowed: false",
            ONLY_ABSENT,
            "releases.feed.roles",
        ),
        ("protection.yaml", "{high: {tag: LIT-901, limit: 95, deadband: 2}}", "{high: {tag: LIT-901, limit: 95}}", ""),
    ],
)
def test_what_is_unwise_and_works_is_a_warning(folder: Path, file: str, old: str, new: str, key: str) -> None:
    path = folder / file
    assert old in path.read_text()
    before = {warning.key for warning in load_site(folder).warnings}
    path.write_text(path.read_text().replace(old, new, 1), encoding="utf-8")
    after = {warning.key for warning in load_site(folder).warnings}
    assert after - before == ({key} if key else set())  # a restore delay makes the missing deadband harmless


def test_a_value_and_a_block_longer_than_the_longest_read_are_both_named(folder: Path) -> None:
    devices = folder / "devices.yaml"
    devices.write_text(devices.read_text().replace("longest_read: 64", "longest_read: 2"), encoding="utf-8")
    assert {fault.key for fault in faults_of(folder)} == {"output_block.registers", "tags.PC1-CLK.type"}
