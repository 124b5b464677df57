"""Keys that must fit together, on a site that has one of everything: each slip is told once, at its key."""

from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.configuration.fault import Refused
from gateway.configuration.plant import load_site
from gateway.configuration.reading import configuration_hash, read_site
from gateway.configuration.report import FINE, REFUSED, check_report
from gateway.configuration.response import responses
from gateway.core.hold import HoldRule
from gateway.core.motor import MotorRule

Write = Callable[[str], Path]

SITE = """\
site: {id: rules, name: rules, time_zone: CET}
roles: {KEEPER: keeps it}
people: {ANNA: {role: KEEPER, local_users: [1000]}}
connections:
  L1: {transport: rtu, device: /dev/ttyS1, baud_rate: 9600}
  PC1: {transport: tcp, host: 127.0.0.1, port: 15020}
devices:
  FM1:
    service: flow meter
    connection: L1
    unit_id: 1
    test_constant: {tag: FM1-TST, value: 12345.678, tolerance: 0.01}
  FM2: {service: flow meter, connection: L1, unit_id: 2}
  PC1: {service: controller, connection: PC1, unit_id: 1}
tags:
  FIT-1: {service: flow in, device: FM1, table: holding, address: 0, type: uint16, unit: m3/h, range: [0, 60],
    poll_interval_s: 5, spike: {step: 10, confirm_s: 30}, partners: [{tag: FIT-2, deviation: 5}]}
  FIT-2: {service: flow out, device: FM2, table: holding, address: 0, type: float32, unit: m3/h, range: [0, 60],
    poll_interval_s: 5, scale: 1}
  FQ-1: {service: total, device: FM1, table: holding, address: 10, type: uint32, unit: m3, poll_interval_s: 60,
    rolls_over_at: 1000000}
  FM1-TST: {service: constant, device: FM1, table: holding, address: 90, type: float32, poll_interval_s: 60}
  FM1-SN: {service: serial number, device: FM1, table: holding, address: 200, type: string, string_registers: 8,
    poll_interval_s: 3600}
  FM1-LOW: {service: low byte, device: FM1, table: holding, address: 20, type: uint16, poll_interval_s: 60,
    bit_field: {first: 0, count: 8}, bit_names: {7: fault}}
  FM1-HIGH: {service: high byte, device: FM1, table: holding, address: 20, type: uint16, poll_interval_s: 60,
    bit_field: {first: 8, count: 8}, states: {0: idle, 1: runs}}
  HB: {service: heartbeat, device: PC1, table: holding, address: 100, type: uint16, poll_interval_s: 15}
  V-1: {service: valve, device: PC1, table: holding, address: 101, type: uint16, poll_interval_s: 15}
calculated:
  SUM: {service: both flows, unit: m3/h, range: [0, 120], inputs: {a: FIT-1, b: FIT-2}, formula: a + b}
own_tags:
  L1-BUSY: {service: load of L1, unit: "%", figure: line_busy_percent, of: L1}
  FM1-SILENT: {service: silence of FM1, unit: s, figure: device_silent_s, of: FM1}
  WAITING: {service: rows waiting, figure: rows_waiting}
  CPU-TEMP: {service: temperature of the machine, unit: C, figure: file, file: temperature, scale: 0.001}
outputs:
  valve: {service: moves it, register: V-1, levels: {shut: 0, open: 1}, safe_level: shut, normal_level: open}
output_block: {connection: PC1, device: PC1, heartbeat: HB, registers: [HB, V-1], commissioning_roles: [KEEPER]}
interlocks:
  I-1:
    service: too much
    causes: [{inputs: [{high: {tag: SUM, limit: 90}}], trip_delay_s: 15}]
    effects: {valve: shut}
    exposure: {flow: FIT-2, volume_l: 1000}
releases:
  valve: {clear_s: 0, roles: [KEEPER]}
alarms:
  SILENT: {condition: {high: {tag: FM1-SILENT, limit: 60}}, priority: P3, says: it is silent, cause: a wire,
    consequence: no flow, action: look at it, respond_within_min: 60, value: FM1-SN, on_delay_s: 15}
  BAD: {condition: {bad_quality: {tag: FIT-1, because: [wrong_constant]}}, priority: P3, says: it reads wrong,
    cause: another meter, consequence: no flow, action: look at it, respond_within_min: 60}
uplink:
  influx: {url: "http://127.0.0.1:8428", bucket: plant, read_back: {api: promql}}
"""


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(text: str) -> Path:
        folder = tmp_path / "rules"
        folder.mkdir(mode=0o755)
        (folder / "site.yaml").write_text(text, encoding="utf-8")
        (folder / "site.yaml").chmod(0o644)
        return folder

    return written


def changed(old: str, new: str) -> str:
    assert SITE.count(old) == 1, old
    return SITE.replace(old, new)


def test_the_site_that_has_one_of_everything_is_fine(write: Write) -> None:
    text, code = check_report(write(SITE))
    assert (code, "warning" in text) == (FINE, False), text


KEY = "A" * 43 + "="
SLIPS = {
    # --- people
    "a key of two persons": (
        "{ANNA: {role: KEEPER, local_users: [1000]}}",
        f"{{ANNA: {{role: KEEPER, local_users: [1000], afar_key: {KEY}}}, BEN: {{role: KEEPER, afar_key: {KEY}}}}}",
        "people.BEN.afar_key",
        "the key of ANNA",
    ),
    "a key that is none": (
        "local_users: [1000]}}",
        "local_users: [1000], afar_key: open sesame}}",
        "people.ANNA.afar_key",
        "open sesame",
    ),
    # --- protection
    "a return that gives no reason": (
        "    effects: {valve: shut}\n",
        "    effects: {valve: shut}\n    latched: false\n",
        "interlocks.I-1.latched",
        "no reason why it may return",
    ),
    "a return whose reason is no words": (
        "    effects: {valve: shut}\n",
        "    effects: {valve: shut}\n    latched: false\n    returns_because: '---'\n",
        "interlocks.I-1.latched",
        "no reason why it may return",
    ),
    "a reason for a return that there is not": (
        "    effects: {valve: shut}\n",
        "    effects: {valve: shut}\n    returns_because: the water was fit all the time\n",
        "interlocks.I-1.returns_because",
        "with latched: false",
    ),
    "a permission that is watched in shadow only": (
        "    effects: {valve: shut}\n",
        "    effects: {valve: shut}\n    shadow: true\n",
        "outputs.valve",
        "a permission that no interlock acts on",
    ),
    "an interlock that waits for a bypass": (
        "{high: {tag: SUM, limit: 90}}",
        "{bypass_ends: {within_min: 5}}",
        "interlocks.I-1.causes[0].inputs[0].bypass_ends",
        "at an alarm",
    ),
    "a role that nobody declared may put it aside": (
        "    effects: {valve: shut}\n",
        "    effects: {valve: shut}\n    bypass_roles: [OTHER]\n",
        "interlocks.I-1.bypass_roles[0]",
        "OTHER",
    ),
    "a hold of what is not there": (
        "releases:\n",
        "holds: {tags: [FIT-9], roles: [KEEPER]}\nreleases:\n",
        "holds.tags[0]",
        "FIT-9",
    ),
    # --- types
    "a string of unknown length": ("string, string_registers: 8,", "string,", "tags.FM1-SN.type", "unknown length"),
    "string_registers elsewhere": ("scale: 1}", "string_registers: 2}", "tags.FIT-2.string_registers", "at a string"),
    "a range at a string": (
        "poll_interval_s: 3600}",
        "poll_interval_s: 3600, range: [0, 9]}",
        "tags.FM1-SN.range",
        "range at a string",
    ),
    "a limit on text": (
        "{tag: SUM, limit: 90}",
        "{tag: FM1-SN, limit: 90}",
        "interlocks.I-1.causes[0].inputs[0].high.tag",
        "text",
    ),
    "a string longer than a read may be": (
        "string_registers: 8,",
        "string_registers: 61,",
        "tags.FM1-SN.string_registers",
        "at most 60",
    ),
    "a bit field beyond the register": (
        "bit_field: {first: 8, count: 8}",
        "bit_field: {first: 8, count: 9}",
        "tags.FM1-HIGH.bit_field",
        "bits 0 to 15",
    ),
    "a bit field of a float": ("scale: 1}", "bit_field: {first: 0, count: 8}}", "tags.FIT-2.bit_field", "integer tag"),
    "states of a float": ("scale: 1}", "states: {0: none}}", "tags.FIT-2.states", "float32"),
    "a bit name beyond the field": (
        "bit_names: {7: fault}",
        "bit_names: {8: fault}",
        "tags.FM1-LOW.bit_names.8",
        "0 to 7",
    ),
    "a total in a float": ("scale: 1}", "rolls_over_at: 100}", "tags.FIT-2.rolls_over_at", "total"),
    "a jump beyond the span": ("step: 10,", "step: 60,", "tags.FIT-1.spike.step", "less than 60"),
    "two readings of one register": (
        "address: 20, type: uint16, poll_interval_s: 60,\n    bit_field: {first: 8",
        "address: 20, type: int16, poll_interval_s: 60,\n    bit_field: {first: 8",
        "tags.FM1-HIGH.address",
        "FM1-LOW",
    ),
    # --- names and neighbours
    "one name for two points": ("\n  WAITING: {", "\n  FQ-1: {", "own_tags.FQ-1", "under tags already"),
    "a partner of another unit": (
        "partners: [{tag: FIT-2,",
        "partners: [{tag: FQ-1,",
        "tags.FIT-1.partners[0].tag",
        "m3/h",
    ),
    "a partner of itself": (
        "partners: [{tag: FIT-2,",
        "partners: [{tag: FIT-1,",
        "tags.FIT-1.partners[0].tag",
        "itself",
    ),
    "an unknown partner": (
        "partners: [{tag: FIT-2,",
        "partners: [{tag: FIT-3,",
        "tags.FIT-1.partners[0].tag",
        "not declared",
    ),
    "a partner that is calculated, so that it would never be compared": (
        "partners: [{tag: FIT-2,",
        "partners: [{tag: SUM,",
        "tags.FIT-1.partners[0].tag",
        "declared under tags",
    ),
    "a partner that the gateway tells about itself": (
        "partners: [{tag: FIT-2,",
        "partners: [{tag: WAITING,",
        "tags.FIT-1.partners[0].tag",
        "declared under tags",
    ),
    "the constant of another device": (
        "test_constant: {tag: FM1-TST,",
        "test_constant: {tag: FIT-2,",
        "devices.FM1.test_constant.tag",
        "FIT-2 of FM2",
    ),
    "a constant that no device has": (
        "test_constant: {tag: FM1-TST,",
        "test_constant: {tag: L1-BUSY,",
        "devices.FM1.test_constant.tag",
        "declared under tags",
    ),
    "an unknown input": ("inputs: {a: FIT-1,", "inputs: {a: FIT-3,", "calculated.SUM.inputs.a", "not declared"),
    "a tag that needs what is computed from it": (
        "scale: 1}",
        "valid_when: [{tag: SUM, minimum: 1}]}",
        "tags.FIT-2.valid_when[0].tag",
        "a circle",
    ),
    # --- the gateway itself
    "a line figure without its line": (
        "line_busy_percent, of: L1",
        "line_busy_percent",
        "own_tags.L1-BUSY.figure",
        "Add of",
    ),
    "a line figure of a device": (
        "line_busy_percent, of: L1",
        "line_busy_percent, of: FM1",
        "own_tags.L1-BUSY.of",
        "connections",
    ),
    "a device figure of a line": (
        "device_silent_s, of: FM1",
        "device_silent_s, of: L1",
        "own_tags.FM1-SILENT.of",
        "devices",
    ),
    "rows waiting of something": (
        "figure: rows_waiting",
        "figure: rows_waiting, of: L1",
        "own_tags.WAITING.of",
        "rows_waiting",
    ),
    "a file figure without file": (", file: temperature", "", "own_tags.CPU-TEMP.figure", "without a file"),
    "a file at another figure": (
        "figure: rows_waiting",
        "figure: rows_waiting, file: x",
        "own_tags.WAITING.file",
        "file at figure",
    ),
    "a scale at another figure": (
        "figure: rows_waiting",
        "figure: rows_waiting, scale: 2",
        "own_tags.WAITING.scale",
        "scale at",
    ),
    # --- conditions
    "reasons both ways": (
        "because: [wrong_constant]",
        "because: [wrong_constant], except_for: [stale]",
        "alarms.BAD.condition.bad_quality.except_for",
        "at most one",
    ),
    "an unknown reason": (
        "because: [wrong_constant]",
        "because: [wrong]",
        "alarms.BAD.condition.bad_quality.because[0]",
        "stale",
    ),
    "a limit beyond a calculated span": (
        "{tag: SUM, limit: 90}",
        "{tag: SUM, limit: 120}",
        "interlocks.I-1.causes[0].inputs[0].high.limit",
        "top of SUM",
    ),
    "text as a limit": (
        "{tag: SUM, limit: 90}",
        '{tag: SUM, limit: "90"}',
        "interlocks.I-1.causes[0].inputs[0].high.limit",
        "quotes",
    ),
    "a bit of a calculated tag": (
        "{high: {tag: SUM, limit: 90}}",
        "{bits: {tag: SUM, bits: [0]}}",
        "interlocks.I-1.causes[0].inputs[0].bits.bits[0]",
        "integer tag",
    ),
    "a calculated range upside down": ("range: [0, 120]", "range: [120, 0]", "calculated.SUM.range", "bottom first"),
    # --- outputs
    "writing where one connection is allowed": (
        "port: 15020}",
        "port: 15020, single: true}",
        "output_block.connection",
        "single: true",
    ),
    "an unknown commissioning role": (
        "commissioning_roles: [KEEPER]",
        "commissioning_roles: [KEPER]",
        "output_block.commissioning_roles[0]",
        "KEEPER?",
    ),
    # --- lines
    "a line that cannot keep up": (
        "connection: L1, unit_id: 2}",
        "connection: L1, unit_id: 2, reply_s: 5.1}",
        "connections.L1",
        "busy",
    ),
    "a dead device that makes the others stale": (
        "baud_rate: 9600}",
        "baud_rate: 9600, reply_timeout_s: 12}",
        "connections.L1",
        "FIT-1",
    ),
    # --- the outside
    "line protocol in clear": (
        '{url: "http://127.0.0.1:8428", bucket: plant,',
        '{url: "http://history.example:8428", bucket: plant, token: {environment: TOKEN},',
        "uplink.influx.url",
        "https",
    ),
    "line protocol without a token": (
        '"http://127.0.0.1:8428"',
        '"https://history.example:8428"',
        "uplink.influx.token",
        "Add token",
    ),
    "no address": ('"http://127.0.0.1:8428"', '"127.0.0.1:8428"', "uplink.influx.url", "an address such as"),
    "a broken address": ('"http://127.0.0.1:8428"', '"https://[::1"', "uplink.influx.url", "an address such as"),
    "a read-back in clear": (
        "read_back: {api: promql}",
        'read_back: {api: promql, url: "http://history.example:8428"}',
        "uplink.influx.read_back.url",
        "https",
    ),
}


@pytest.mark.parametrize(("old", "new", "key", "says"), SLIPS.values(), ids=SLIPS)
def test_a_slip_is_told_once_at_its_key(write: Write, old: str, new: str, key: str, says: str) -> None:
    with pytest.raises(Refused) as refused:
        load_site(write(changed(old, new)))
    told = [str(fault) for fault in refused.value.faults if fault.key == key]
    others = [fault.key for fault in refused.value.faults if fault.key != key]
    assert len(told) == 1, refused.value
    assert says in told[0]
    assert set(others) <= {"uplink.influx.token"} if key == "uplink.influx.url" else not others, refused.value


SLOWER = "unit: m3/h, range: [0, 60],\n    poll_interval_s: 15, scale: 1"

WARNINGS = {
    "a full line": (
        "connection: L1, unit_id: 2}",
        "connection: L1, unit_id: 2, reply_s: 3.6}",
        "connections.L1",
        "so that retries find room",
    ),
    "water that is faster": ("volume_l: 1000", "volume_l: 10", "interlocks.I-1.exposure", "before the water arrives"),
    "a span that ends near the limit": ("limit: 90}", "limit: 101}", "calculated.SUM.range", "1.2 times"),
    "a delay shorter than the poll of an own tag": (
        "on_delay_s: 15}",
        "on_delay_s: 5}",
        "alarms.SILENT.on_delay_s",
        "every 15 s",
    ),
    "nobody to commission": (
        "roles: {KEEPER: keeps it}\npeople: {ANNA: {role: KEEPER,",
        "roles: {KEEPER: keeps it, GUEST: looks}\npeople: {ANNA: {role: GUEST,",
        "output_block.commissioning_roles",
        "only observes",
    ),
}


@pytest.mark.parametrize(("old", "new", "key", "says"), WARNINGS.values(), ids=WARNINGS)
def test_what_is_unwise_is_a_warning(write: Write, old: str, new: str, key: str, says: str) -> None:
    warnings = load_site(write(changed(old, new))).warnings
    told = [str(warning) for warning in warnings if warning.key == key]
    assert len(told) == 1, warnings
    assert says in told[0]


def test_an_interlock_in_shadow_is_a_warning(write: Write) -> None:
    shadow = changed("    effects: {valve: shut}\n", "    effects: {valve: shut}\n    shadow: true\n")
    stop = shadow.replace("normal_level: open}", "normal_level: open, permit: false}")
    (warning,) = load_site(write(stop)).warnings
    assert (warning.key, "acts on nothing" in str(warning)) == ("interlocks.I-1.shadow", True)


def test_a_motor_is_watched_by_an_interlock_that_acts(write: Write) -> None:
    shadow = changed("    effects: {valve: shut}\n", "    effects: {valve: shut}\n    shadow: true\n")
    starts = "normal_level: open, permit: false, starts: {min_off_s: 60, most: 6}}"
    text, code = check_report(write(shadow.replace("normal_level: open}", starts)))
    assert (code, "a motor that no interlock acts on" in text) == (REFUSED, True), text


def test_what_is_put_aside_and_what_may_start_become_rules(write: Write) -> None:
    more = "    effects: {valve: shut}\n    bypass_roles: [KEEPER]\n    bypass_remote_allowed: true\n"
    text = changed("    effects: {valve: shut}\n", more)
    text = text.replace("normal_level: open}", "normal_level: open, starts: {min_off_s: 60, most: 6, window_min: 30}}")
    text = text.replace("releases:\n", "holds: {tags: [FIT-1, FQ-1, FIT-2], roles: [KEEPER], settle_s: 9}\nreleases:\n")
    plant = load_site(write(text)).plant
    assert plant.outputs[0].motor == MotorRule(id="valve", min_off_ms=60_000, max_starts=6, window_ms=1_800_000)
    assert plant.interlocks[0].bypass_roles == {"KEEPER"}
    assert plant.interlocks[0].bypass_remote_allowed
    assert plant.holds == HoldRule(
        subjects={
            "FM1": ("FIT-1", "FQ-1"),
            "FM2": ("FIT-2",),
            "FIT-1": ("FIT-1",),
            "FQ-1": ("FQ-1",),
            "FIT-2": ("FIT-2",),
        },
        roles=frozenset({"KEEPER"}),
        settle_ms=9_000,
    )


def test_the_check_prints_what_each_line_is_asked_and_what_one_dead_device_does_to_the_others(write: Write) -> None:
    text, _ = check_report(write(SITE))
    lines = text.splitlines()
    start = next(number for number, line in enumerate(lines) if line.startswith("L1 "))
    assert "7 tags of FM1, FM2" in lines[start]
    assert "every    5 s    2 requests     3 registers and bits" in lines[start + 1]
    assert "every   60 s    3 requests     5 registers and bits" in lines[start + 2]
    assert "busy" in lines[start + 4]
    assert "with FM2 dead; nearest to its limit then is FIT-1" in lines[start + 5]
    assert "stale after 15 s" in lines[start + 5]


def test_an_interlock_on_a_calculated_tag_is_as_slow_as_the_slowest_of_its_inputs(write: Write) -> None:
    site = load_site(write(changed("unit: m3/h, range: [0, 60],\n    poll_interval_s: 5, scale: 1", SLOWER))).site
    (response,) = responses(site)
    assert (response.poll_s, response.reply_s, response.delay_s) == (15, 0.5, 15)
    assert response.total_s == pytest.approx(15 + 0.5 + (1.2 + 0.5) + 15 + 1 + 0.5 + 0.5)


_ON_SUM = "causes: [{inputs: [{high: {tag: SUM, limit: 90}}], trip_delay_s: 15"


@pytest.mark.parametrize(
    ("cause", "retries_s"),
    [
        (f"{_ON_SUM}, bad: drop", [0]),
        (f"{_ON_SUM}, bad_trip_delay_s: 60", [0, 1.7]),
        (_ON_SUM, [1.7]),
        ("causes: [{inputs: [{bad_quality: {tag: SUM}}], trip_delay_s: 15, bad: drop", [1.7]),
    ],
)
def test_a_cause_that_trips_for_want_of_a_value_takes_a_second_attempt_to_be_sure(
    write: Write, cause: str, retries_s: list[float]
) -> None:
    rows = responses(load_site(write(changed(_ON_SUM, cause))).site)
    assert [row.retry_s for row in rows] == pytest.approx(retries_s)


def test_an_interlock_on_a_point_of_the_gateway_itself_waits_for_no_device(write: Write) -> None:
    text = changed("{high: {tag: SUM, limit: 90}}", "{high: {tag: FM1-SILENT, limit: 90}}")
    (response,) = responses(load_site(write(text)).site)
    assert (response.poll_s, response.reply_s, response.retry_s) == (15, 0, 0)


def test_the_water_races_the_instrument_and_the_valve_as_well_as_the_gateway(write: Write) -> None:
    """1000 L at 60 m3/h are gone in 60 s; the gateway alone takes less than 30."""
    prompt = "unit: m3/h, range: [0, 60],\n    poll_interval_s: 5, scale: 1"
    found = load_site(write(changed(prompt, f"{prompt}, sample_line_s: 20, t90_s: 30")))
    (response,) = responses(found.site)
    assert (response.line_s, response.t90_s) == (20, 30)
    assert response.safe_s == response.total_s + 50
    assert (response.water_s or 0) > response.total_s
    assert [one.key for one in found.warnings if one.key.endswith("exposure")] == ["interlocks.I-1.exposure"]


def test_the_hash_does_not_see_where_the_token_of_a_server_is_kept(write: Write) -> None:
    before = write(SITE)
    hashes = {configuration_hash(read_site(before))}
    (before / "site.yaml").write_text(changed("bucket: plant,", "bucket: plant, token: {environment: TOKEN},"))
    hashes.add(configuration_hash(read_site(before)))
    (before / "site.yaml").write_text(changed("bucket: plant,", "bucket: other,"))
    assert len(hashes) == 1
    assert configuration_hash(read_site(before)) not in hashes
