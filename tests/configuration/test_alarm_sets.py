"""Alarm sets: what the alarms of a kind of unit have in common is said once, and a fault in it is told once, there."""

import json
from pathlib import Path

import pytest

from gateway.configuration.fault import Fault, Refused
from gateway.configuration.plant import load_site
from gateway.configuration.reading import configuration_hash, read_site
from gateway.configuration.report import check_report
from gateway.configuration.schema import alarm_set_json_schema, json_schema

SET = """\
service: pump with overload and current
needs:
  what: what it pumps
  status: tag of its status word
  current: tag of its current
  high: ampere it may take
alarms:
  OVERLOAD:
    condition: {bits: {tag: <status>, bits: [0]}}
    priority: P2
    says: "pump <self> for <what> tripped"
    cause: a rag in it
    consequence: no <what> is pumped above <high> A
    action: clear it
    respond_within_min: 240
  CURRENT-HIGH:
    condition: {high: {tag: <current>, limit: <high>, deadband: 0.2}}
    suppress_when: {alarm: <self>-OVERLOAD}
    priority: P3
    says: pump <self> takes much current
    cause: worn
    consequence: it trips
    action: look at it
    respond_within_min: 4320
"""
SITE = """\
site: {id: sets, name: sets, time_zone: CET}
connections:
  L1: {transport: rtu_over_tcp, host: 127.0.0.1, port: 15001}
devices:
  G1: {service: pumps, connection: L1, unit_id: 1}
tags:
  A-STS: {service: status, device: G1, table: holding, address: 0, type: uint16, poll_interval_s: 5}
  B-STS: {service: status, device: G1, table: holding, address: 1, type: uint16, poll_interval_s: 5}
  A-I: {service: current, device: G1, table: holding, address: 2, type: uint16, poll_interval_s: 5, unit: A,
    range: [0, 20]}
  B-I: {service: current, device: G1, table: holding, address: 3, type: uint16, poll_interval_s: 5, unit: A,
    range: [0, 20]}
"""
PLAIN = """\
{condition: {equals: {tag: A-STS, value: 0}}, priority: P3, says: it stands, cause: a fuse,
    consequence: nothing runs, action: look at it, respond_within_min: 60}
"""
ALARMS = f"""\
alarms:
  FIRST: {PLAIN}
  P-A:
    alarm_set: pump
    given: {{what: sewage, status: A-STS, current: A-I, high: 9}}
  P-B:
    alarm_set: pump
    given: {{what: clear water, status: B-STS, current: B-I, high: 7.5}}
    changes:
      CURRENT-HIGH: {{condition: {{high: {{deadband: 1}}}}, on_delay_s: 60, suppress_when: null}}
    without: [OVERLOAD]
  LAST: {PLAIN}
"""


@pytest.fixture
def small(tmp_path: Path) -> Path:
    folder = tmp_path / "small"
    (folder / "alarm_sets").mkdir(parents=True)
    for name, text in {"alarm_sets/pump.yaml": SET, "site.yaml": SITE, "alarms.yaml": ALARMS}.items():
        write(folder, name, text)
    folder.chmod(0o755)
    (folder / "alarm_sets").chmod(0o755)
    return folder


def write(folder: Path, name: str, text: str) -> None:
    (folder / name).write_text(text, encoding="utf-8")
    (folder / name).chmod(0o644)


def spoil(folder: Path, name: str, old: str, new: str) -> None:
    text = (folder / name).read_text(encoding="utf-8")
    assert text.count(old) == 1, old
    write(folder, name, text.replace(old, new))


def faults(folder: Path) -> tuple[Fault, ...]:
    with pytest.raises(Refused) as refused:
        load_site(folder)
    return refused.value.faults


def test_the_alarms_of_a_use_stand_in_its_place_and_are_named_after_it(small: Path) -> None:
    assert list(read_site(small).alarms) == ["FIRST", "P-A-OVERLOAD", "P-A-CURRENT-HIGH", "P-B-CURRENT-HIGH", "LAST"]
    assert check_report(small)[1] == 0


def test_place_holders_are_whole_values_and_words_of_a_text(small: Path) -> None:
    alarms = read_site(small).alarms
    first, second = alarms["P-A-CURRENT-HIGH"].condition.high, alarms["P-B-CURRENT-HIGH"].condition.high
    assert first is not None
    assert second is not None
    assert (first.tag, first.limit, first.deadband) == ("A-I", 9, 0.2)
    assert (second.tag, second.limit, second.deadband) == ("B-I", 7.5, 1)
    assert alarms["P-A-OVERLOAD"].says == "pump P-A for sewage tripped"
    assert alarms["P-A-OVERLOAD"].consequence == "no sewage is pumped above 9 A"


def test_a_use_names_itself_and_may_change_any_key(small: Path) -> None:
    alarms = read_site(small).alarms
    logic = alarms["P-A-CURRENT-HIGH"].suppress_when
    assert logic is not None
    assert logic.alarm == "P-A-OVERLOAD"
    assert alarms["P-B-CURRENT-HIGH"].suppress_when is None
    assert (alarms["P-A-CURRENT-HIGH"].on_delay_s, alarms["P-B-CURRENT-HIGH"].on_delay_s) == (0, 60)


def test_the_hash_is_that_of_the_site_written_out_in_full(small: Path) -> None:
    before = read_site(small)
    in_full = json.loads(before.model_dump_json(by_alias=True))["alarms"]
    write(small, "alarms.yaml", json.dumps({"alarms": in_full}))
    (small / "alarm_sets/pump.yaml").unlink()
    assert configuration_hash(read_site(small)) == configuration_hash(before)
    write(small, "alarm_sets/pump.yaml", SET.replace("deadband: 0.2", "deadband: 0.3"))
    write(small, "alarms.yaml", ALARMS)
    assert configuration_hash(read_site(small)) != configuration_hash(before)


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ("    priority: P3\n", "    priority: P4\n", "alarms.CURRENT-HIGH.priority", "P3"),
        ("    cause: worn\n", "", "alarms.CURRENT-HIGH.cause", "Add cause"),
        ("    cause: worn\n", "    casue: worn\n", "alarms.CURRENT-HIGH.casue", "Did you mean cause?"),
        ("    cause: worn\n", "    cause: todo\n", "alarms.CURRENT-HIGH.cause", "a sentence"),
        ("tag: <current>", "tag: <curent>", "alarms.CURRENT-HIGH.condition.high.tag", "Did you mean current?"),
        ("says: pump <self>", "says: pump <slef>", "alarms.CURRENT-HIGH.says", "needs"),
        ("  high: ampere it may take\n", "  high: ampere\n  low: ampere\n", "needs.low", "<low>"),
        ("service: pump with", "servcie: pump with", "servcie", "Did you mean service?"),
        ("deadband: 0.2", "deadband: 02", "alarms.CURRENT-HIGH.condition.high.deadband", "leading zero"),
        ("<self>-OVERLOAD", "<self>-OVERLAOD", "alarms.CURRENT-HIGH.suppress_when.alarm", "P-A-OVERLOAD"),
    ],
)
def test_a_fault_in_a_set_is_told_once_with_the_sets_file_and_key(
    small: Path, old: str, new: str, key: str, says: str
) -> None:
    spoil(small, "alarms.yaml", "\n    without: [OVERLOAD]", "")
    spoil(small, "alarms.yaml", ", suppress_when: null", "")
    spoil(small, "alarm_sets/pump.yaml", old, new)
    (fault,) = faults(small)
    assert (fault.file, fault.key) == ("alarm_sets/pump.yaml", key)
    assert says in str(fault)
    lines = (small / "alarm_sets/pump.yaml").read_text(encoding="utf-8").splitlines()
    assert key.rpartition(".")[2] in lines[fault.line - 1] or "Add" in str(fault)


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ("what: sewage, ", "", "alarms.P-A.given", "what: what it pumps"),
        ("what: sewage, ", "what: sewage, hihg: 3, ", "alarms.P-A.given.hihg", "Did you mean high?"),
        ("current: A-I", "current: A-J", "alarms.P-A.given.current", "Did you mean A-I?"),
        ("high: 9}", "high: 25}", "alarms.P-A.given.high", "20"),
        ("high: 9}", "high: nine}", "alarms.P-A.given.high", "number"),
        ("alarm_set: pump\n    given: {what: sewage", "alarm_set: pumps\n    given: {what: sewage",
         "alarms.P-A.alarm_set", "Did you mean pump?"),
        ("without: [OVERLOAD]", "without: [OVERLAOD]", "alarms.P-B.without[0]", "Did you mean OVERLOAD?"),
        ("      CURRENT-HIGH: {condition", "      CURENT-HIGH: {condition", "alarms.P-B.changes.CURENT-HIGH",
         "Did you mean CURRENT-HIGH?"),
        ("on_delay_s: 60,", "on_delay_s: -60,", "alarms.P-B.changes.CURRENT-HIGH.on_delay_s", "at least 0"),
        ("without: [OVERLOAD]", "wihtout: [OVERLOAD]", "alarms.P-B.wihtout", "Did you mean without?"),
        ("  LAST:", "  P-A-OVERLOAD:", "alarms.P-A", "declared already"),
    ],
)  # fmt: skip
def test_a_fault_of_a_use_is_told_at_the_use(small: Path, old: str, new: str, key: str, says: str) -> None:
    spoil(small, "alarms.yaml", old, new)
    (fault,) = faults(small)
    assert (fault.file, fault.key) == ("alarms.yaml", key)
    assert says in str(fault)


def test_an_unused_set_is_a_warning(small: Path) -> None:
    write(small, "alarm_sets/old.yaml", SET)
    text, code = check_report(small)
    assert code == 0
    assert "alarm_sets/old.yaml:1: found an alarm set that nothing uses" in text


def test_a_set_that_is_no_yaml_is_told_alone(small: Path) -> None:
    write(small, "alarm_sets/pump.yaml", "alarms: [\n")
    assert [fault.file for fault in faults(small)] == ["alarm_sets/pump.yaml"]


def test_editors_know_a_use_and_a_place_holder() -> None:
    site, kind = json.loads(json_schema()), json.loads(alarm_set_json_schema())
    (entry,) = site["properties"]["alarms"]["patternProperties"].values()
    assert entry == {"anyOf": [{"$ref": "#/$defs/Alarm"}, {"$ref": "#/$defs/AlarmSetUse"}]}
    limit = kind["$defs"]["StateLimitKeys"]["properties"]["limit"]
    assert {one["type"] for one in limit["anyOf"]} == {"number", "string"}


@pytest.mark.parametrize("key", ["says", "cause", "consequence", "action", "respond_within_min"])
def test_an_alarm_without_what_its_reader_needs_is_refused(small: Path, key: str) -> None:
    alarm = json.loads(read_site(small).model_dump_json(by_alias=True))["alarms"]["FIRST"]
    del alarm[key]
    write(small, "alarms.yaml", json.dumps({"alarms": {"FIRST": alarm}}))
    assert [fault.key for fault in faults(small)] == [f"alarms.FIRST.{key}"]
