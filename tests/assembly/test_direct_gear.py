"""The direct gear: the gateway's own decoding, scan and writing, on devices that are given as registers."""

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import pytest

from gateway.assembly.direct_gear import DirectGear, Told
from gateway.assembly.direct_health import DirectHealth
from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.poll_plan import Block
from gateway.core.outcome import EventKind
from gateway.core.quality import Reason
from gateway.core.request import Action, Request
from gateway.core.sample import NoNumber, Number
from gateway.drivers.errors import NoAnswer
from tests.core.plants import UTC_MS

SITE = """\
site: {id: pond, name: Pond, time_zone: CET, scan_period_s: 1}
place: {}
roles: {KEEPER: keeps it}
people: {ANNA: {role: KEEPER, local_users: [1000]}}
connections:
  L1: {transport: rtu, device: /dev/ttyS1, baud_rate: 9600}
  PC1: {transport: tcp, host: 127.0.0.1, port: 15020}
devices:
  LT1: {service: level meter, connection: L1, unit_id: 1, reply_s: 0.03}
  LT2: {service: spare level meter, connection: L1, unit_id: 2}
  PC1: {service: controller, connection: PC1, unit_id: 1}
tags:
  LEVEL: {service: level, device: LT1, table: holding, address: 0, type: float32, unit: m, range: [0, 10],
    poll_interval_s: 5}
  SPARE: {service: level beside it, device: LT2, table: holding, address: 0, type: float32, unit: m, range: [0, 10],
    poll_interval_s: 5}
  HB: {service: heartbeat, device: PC1, table: holding, address: 100, type: uint16, poll_interval_s: 5}
  V-1: {service: valve, device: PC1, table: holding, address: 101, type: uint16, poll_interval_s: 5}
own_tags:
  L1-OPEN: {service: line, figure: line_open, of: L1, read_interval_s: 5}
  L1-BUSY: {service: line, unit: "%", figure: line_busy_percent, of: L1, read_interval_s: 5}
  L1-FAILED: {service: line, unit: "%", figure: line_failed_percent, of: L1, read_interval_s: 5}
  LT1-SILENT: {service: meter, unit: s, figure: device_silent_s, of: LT1, read_interval_s: 5}
  LT1-FAILED: {service: meter, unit: "%", figure: device_failed_percent, of: LT1, read_interval_s: 5}
  LT1-REPLY: {service: meter, unit: ms, figure: device_reply_ms, of: LT1, read_interval_s: 5}
  LT2-SILENT: {service: meter, unit: s, figure: device_silent_s, of: LT2, read_interval_s: 5}
  WAITING: {service: rows, figure: rows_waiting, read_interval_s: 5}
  FAILING: {service: record, unit: s, figure: record_failing_s, read_interval_s: 5}
  HEAT: {service: machine, unit: degC, figure: file, file: heat, scale: 0.001, read_interval_s: 5}
  GONE: {service: machine, figure: file, file: gone, read_interval_s: 5}
outputs:
  valve: {service: fills the pond, register: V-1, levels: {shut: 0, open: 1}, safe_level: shut, normal_level: open}
output_block: {connection: PC1, device: PC1, heartbeat: HB, registers: [HB, V-1], commissioning_roles: [KEEPER]}
interlocks:
  I-1:
    service: pond full
    causes: [{inputs: [{high: {tag: LEVEL, limit: 5, deadband: 0.1}}], trip_delay_s: 10, bad_trip_delay_s: 60}]
    effects: {valve: shut}
    latched: false
    returns_because: a pond of the test
    restore_delay_s: 5
releases:
  valve: {clear_s: 0, roles: [KEEPER]}
alarms:
  WRITTEN-OVER: {condition: {written_over: {output: valve}}, priority: P1, says: somebody else wrote the valve,
    cause: another machine, consequence: the level is not ours, action: find it, respond_within_min: 30}
"""


@dataclass
class Registers:
    """Devices as registers; those that are dead say nothing."""

    level: float = 3.0
    dead: set[str] = field(default_factory=set)
    held: dict[int, int] = field(default_factory=lambda: {100: 0, 101: 0})
    writes: int = 0

    def read(self, device: str, block: Block) -> tuple[int, ...]:
        self._hear(device)
        if device == "PC1":
            return tuple(self.held[block.address + n] for n in range(block.count))
        return struct.unpack(">HH", struct.pack(">f", self.level))

    def write(self, device: str, block: Block, values: Sequence[int]) -> None:
        self._hear(device)
        self.writes += 1
        self.held.update({block.address + n: value for n, value in enumerate(values)})

    def figure(self, file: str) -> float | None:
        return {"heat": 48_500.0}.get(file)

    def _hear(self, device: str) -> None:
        if device in self.dead:
            raise NoAnswer(device)


@dataclass
class Bench:
    """A gear on such devices."""

    gear: DirectGear
    devices: Registers
    told: list[Told]

    def run(self, seconds: int) -> None:
        for _ in range(seconds):
            self.gear.step()

    def ask(self, action: Action, subject: str = "", *, confirm: int = 0) -> int:
        """Ask as the keeper; returns what is to be confirmed."""
        request = Request(
            id=f"{action.value} {confirm}",
            action=action,
            subject=subject,
            person="ANNA",
            role="KEEPER",
            reason="all loops checked",
            confirm=confirm,
        )
        self.gear.ask(request)
        return max(answer.confirm for answer in self.gear.step().answers)

    def subjects(self, kind: EventKind) -> list[str]:
        return [one.event.subject for one in self.told if one.event.kind is kind]

    def number(self, point: str) -> float:
        verdict = self.gear.outcome.verdicts[point]
        assert isinstance(verdict, Number), verdict
        return verdict.value


@pytest.fixture(scope="module")
def pond(tmp_path_factory: pytest.TempPathFactory) -> LoadedSite:
    folder = tmp_path_factory.mktemp("pond")
    (folder / "site.yaml").write_text(SITE, encoding="utf-8")
    return load_site(folder)


@pytest.fixture
def bench(pond: LoadedSite) -> Bench:
    told: list[Told] = []
    devices = Registers()
    return Bench(DirectGear(pond, devices, utc_ms=UTC_MS, period_ms=1_000, tell=told.append), devices, told)


def delivering(bench: Bench) -> None:
    bench.ask(Action.COMMISSION)
    bench.run(10)
    assert bench.gear.missing("valve") == ()
    bench.ask(Action.RELEASE, "valve", confirm=bench.ask(Action.RELEASE, "valve"))
    bench.run(10)
    assert bench.gear.outcome.levels == {"valve": "open"}
    assert bench.devices.held[101] == 1


def test_until_a_person_commissions_it_nothing_is_written_and_a_foreign_value_is_nobodys_fault(bench: Bench) -> None:
    bench.devices.held[101] = 7
    bench.run(120)
    assert bench.devices.writes == 0
    assert bench.devices.held == {100: 0, 101: 7}
    assert bench.number("LEVEL") == 3.0
    assert bench.subjects(EventKind.ALARM) == []


def test_once_commissioned_it_writes_levels_and_a_heartbeat_that_moves(bench: Bench) -> None:
    delivering(bench)
    beats = []
    for _ in range(5):
        bench.run(5)
        beats.append(bench.devices.held[100])
    assert len(set(beats)) == 5


def test_a_high_reading_moves_the_output_after_its_delay_and_back_again(bench: Bench) -> None:
    delivering(bench)
    bench.devices.level = 6.0
    bench.run(9)
    assert bench.devices.held[101] == 1
    bench.run(10)
    assert bench.subjects(EventKind.TRIP) == ["I-1"]
    assert bench.devices.held[101] == 0
    bench.devices.level = 3.0
    bench.run(15)
    assert bench.subjects(EventKind.RESTORED) == ["I-1"]
    assert bench.devices.held[101] == 1


def test_somebody_elses_write_is_found_told_and_overcome(bench: Bench) -> None:
    delivering(bench)
    bench.devices.held[101] = 9
    bench.run(10)
    assert bench.subjects(EventKind.FOREIGN_WRITE) == ["valve"]
    assert bench.subjects(EventKind.ALARM) == ["WRITTEN-OVER"]
    assert bench.devices.held[101] == 0, "safe until a person releases it"


def test_a_silent_device_has_no_value_and_trips_what_needs_one(bench: Bench) -> None:
    delivering(bench)
    bench.devices.dead.add("LT1")
    bench.run(50)
    assert bench.gear.outcome.verdicts["LEVEL"] == NoNumber(Reason.NO_ANSWER)
    assert bench.number("SPARE") == 3.0
    assert bench.subjects(EventKind.TRIP) == []
    bench.run(25)
    assert bench.subjects(EventKind.TRIP) == ["I-1"]
    assert bench.devices.held[101] == 0


# --- what the gateway tells about itself -------------------------------------------------------------------------


def test_while_all_is_well_the_figures_say_so(bench: Bench) -> None:
    bench.run(21)
    expected = {
        "L1-OPEN": 1.0,
        "L1-BUSY": 0.0,
        "L1-FAILED": 0.0,
        "LT1-FAILED": 0.0,
        "LT1-REPLY": 30.0,
        "WAITING": 0.0,
        "FAILING": 0.0,
        "HEAT": 48.5,
    }
    assert {name: bench.number(name) for name in expected} == pytest.approx(expected)
    assert bench.number("LT1-SILENT") <= 5.0
    assert bench.gear.outcome.verdicts["GONE"] == NoNumber(Reason.NO_FIGURE)


def test_a_silent_device_is_told_apart_from_its_neighbour(bench: Bench) -> None:
    bench.run(20)
    bench.devices.dead.add("LT1")
    bench.run(60)
    assert 55.0 <= bench.number("LT1-SILENT") <= 65.0
    assert bench.number("LT2-SILENT") <= 5.0
    assert bench.number("LT1-FAILED") == 100.0
    assert bench.number("L1-FAILED") == pytest.approx(50.0)
    assert bench.gear.outcome.verdicts["LT1-REPLY"] == NoNumber(Reason.NO_ANSWER)
    bench.devices.dead.clear()
    bench.run(10)
    assert bench.number("LT1-FAILED") == 0.0
    assert bench.number("LT1-SILENT") <= 5.0


def test_each_figure_is_told_at_its_own_interval(pond: LoadedSite) -> None:
    health = DirectHealth(pond.site, lambda _: None, 0, checks_overdue=lambda: 0.0)
    due: Callable[[int], set[str]] = lambda now_ms: {name for name, _ in health.due(now_ms)}  # noqa: E731 - short
    assert due(0) == set(pond.site.own_tags)
    assert due(4_999) == set()
    assert due(5_000) == set(pond.site.own_tags)
