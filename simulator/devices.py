"""The plant seen through the registers of its devices (scenario section 6). Pure.

Tables first: which tag lies where, in which type and byte order. Then one
function a device that puts the values in. Decides nothing about the plant and
knows no socket.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.drivers.modbus.codec import Encoding, encode
from simulator import controller as pc1
from simulator.controller import Controller
from simulator.faults import Faults
from simulator.instruments import Panel
from simulator.process import State

COILS, DISCRETE_INPUTS, HOLDING_REGISTERS, INPUT_REGISTERS = 1, 2, 3, 4  # by the function that reads them

HOLD_BIT, OVER_RANGE_BIT, LOW_FLOW_BIT = 1 << 0, 1 << 3, 1 << 4
AN1_TEST_CONSTANT = 12345.678
AN1_SPAN_NTU = 20.0
COUNTS_AT_4_MA, COUNTS_AT_20_MA = 6400, 32000

F32 = Encoding("float32", "CDAB")
U16 = Encoding("uint16")
I16 = Encoding("int16")
BCD = Encoding("bcd48")


@dataclass(frozen=True, slots=True)
class Point:
    """Where a tag lies and how it is written there.

    Args:
        tag: its name.
        table: by the reading function, 1 to 4.
        address: zero-based.
        encoding: type and byte order; of a bit: uint16, 0 or 1.
        scale: engineering value of one raw step.
        span: lowest and highest engineering value of a 4-20 mA loop; equal for anything else.
    """

    tag: str
    table: int
    address: int
    encoding: Encoding = U16
    scale: float = 1.0
    span: tuple[float, float] = (0.0, 0.0)

    def raw(self, value: float) -> float:
        """The raw number for an engineering value."""
        lowest, highest = self.span
        if lowest != highest:
            counts = COUNTS_AT_4_MA + (value - lowest) / (highest - lowest) * (COUNTS_AT_20_MA - COUNTS_AT_4_MA)
            return min(65_535, max(0, round(counts)))
        return value if self.encoding.kind.startswith("float") else round(value / self.scale)


@dataclass(frozen=True, slots=True)
class Image:
    """What a device would answer now: words or bits by address, for each table it has."""

    tables: Mapping[int, Mapping[int, int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceMap:
    """One device's registers.

    Args:
        name: of the device; unit_id: behind its connection.
        points: where its tags lie.
        extents: for each table the first address and the number that exist; what no tag uses reads 0.
        longest_read: registers in one request, beyond which it answers exception 02.
        writable: the device takes function 16 at all.
    """

    name: str
    unit_id: int
    points: tuple[Point, ...]
    extents: Mapping[int, tuple[int, int]]
    longest_read: int = 125
    writable: bool = False


def _loop(tag: str, address: int, lowest: float, highest: float) -> Point:
    return Point(tag, INPUT_REGISTERS, address, U16, span=(lowest, highest))


AN1 = DeviceMap(
    name="AN1",
    unit_id=11,
    extents={HOLDING_REGISTERS: (0, 100)},
    points=(
        Point("AIT-501", HOLDING_REGISTERS, 10, F32),
        Point("AIT-511", HOLDING_REGISTERS, 12, F32),
        Point("AIT-512", HOLDING_REGISTERS, 14, F32),
        Point("AIT-510", HOLDING_REGISTERS, 16, F32),
        Point("FIT-510S", HOLDING_REGISTERS, 18, F32),
        Point("AN1-STS", HOLDING_REGISTERS, 20),
        Point("AN1-AGE", HOLDING_REGISTERS, 21),
        Point("AN1-TST", HOLDING_REGISTERS, 90, F32),
    ),
)
AN2 = DeviceMap(
    name="AN2",
    unit_id=12,
    extents={INPUT_REGISTERS: (0, 7)},
    points=(
        Point("AIT-801", INPUT_REGISTERS, 0, I16, scale=0.01),
        Point("TIT-801", INPUT_REGISTERS, 1, I16, scale=0.1),
        Point("AIT-802", INPUT_REGISTERS, 2, I16, scale=0.01),
        Point("AIT-951", INPUT_REGISTERS, 3, I16, scale=0.01),
        Point("AN2-STS", INPUT_REGISTERS, 4),
        Point("FIT-801S", INPUT_REGISTERS, 5, U16, scale=0.1),
        Point("LI-802R", INPUT_REGISTERS, 6),
    ),
)
RI1 = DeviceMap(
    name="RI1",
    unit_id=7,
    extents={INPUT_REGISTERS: (0, 12), DISCRETE_INPUTS: (0, 10)},
    points=(
        _loop("LIT-101", 0, 0, 2.5),
        _loop("LIT-151", 1, 0, 100),
        _loop("LIT-161", 2, 0, 100),
        _loop("LIT-901", 3, 0, 100),
        _loop("PDIT-501", 4, 0, 1.0),
        _loop("PDIT-502", 5, 0, 1.0),
        _loop("AIT-301", 6, 0, 10),
        _loop("LIT-810", 7, 0, 100),
        _loop("AIT-609", 8, 0, 1.0),
        _loop("PIT-951", 9, 0, 10),
        _loop("TIT-001", 10, -20, 60),
        _loop("LIT-410", 11, 0, 100),
        Point("ZSO-901", DISCRETE_INPUTS, 0),
        Point("ZSC-901", DISCRETE_INPUTS, 1),
        Point("ZSC-955", DISCRETE_INPUTS, 2),
        Point("FSL-510", DISCRETE_INPUTS, 3),
        Point("FSL-801", DISCRETE_INPUTS, 4),
        Point("LSHH-161", DISCRETE_INPUTS, 5),
        Point("PWR-OK", DISCRETE_INPUTS, 6),
        Point("DOOR-1", DISCRETE_INPUTS, 7),
        Point("ESTOP-1", DISCRETE_INPUTS, 8),
        Point("LEAK-1", DISCRETE_INPUTS, 9),
    ),
)
PC1 = DeviceMap(
    name="PC1",
    unit_id=1,
    extents={HOLDING_REGISTERS: (300, 24), COILS: (0, 3)},
    longest_read=64,
    writable=True,
    points=(
        Point("PC1-STATE", HOLDING_REGISTERS, 300),
        Point("PC1-CAUSE", HOLDING_REGISTERS, 301),
        Point("F501-STATE", HOLDING_REGISTERS, 302),
        Point("F502-STATE", HOLDING_REGISTERS, 303),
        Point("FSP-201", HOLDING_REGISTERS, 304, U16, scale=0.001),
        Point("PC1-CLK", HOLDING_REGISTERS, 306, BCD),
        Point("PC1-HB", HOLDING_REGISTERS, 310),
        Point("GW-HB", HOLDING_REGISTERS, 320),
        Point("GW-PERMIT", HOLDING_REGISTERS, 321),
        Point("GW-FEED", HOLDING_REGISTERS, 322),
        Point("GW-DELIV", HOLDING_REGISTERS, 323),
        Point("XV901-CMD", COILS, 0),
        Point("XV955-CMD", COILS, 1),
        Point("P951-RUN", COILS, 2),
    ),
)
DEVICES = {one.name: one for one in (AN1, AN2, RI1, PC1)}


def true_values(state: State) -> dict[str, float]:
    """What each instrument would show of this water if it were perfect, by tag."""
    first, second = state.filters
    return {
        "AIT-501": state.influent_ntu,
        "AIT-511": first.effluent_ntu,
        "AIT-512": second.effluent_ntu,
        "AIT-510": state.tap.turbidity_ntu,
        "FIT-510S": 250.0,
        "AIT-801": state.chlorine.outlet_mg_l,
        "AIT-951": state.tank.residual_mg_l,
        "TIT-801": 10.0,
        "AIT-802": 7.05,
        "FIT-801S": 30.0,
        "LIT-101": state.sump.level_m,
        "LIT-151": state.buffers.eq_m3 / 55 * 100,
        "LIT-161": state.buffers.eht_m3 / 40 * 100,
        "LIT-901": state.tank.share * 100,
        "PDIT-501": first.pressure_bar,
        "PDIT-502": second.pressure_bar,
        "AIT-301": 2.4,
        "LIT-810": 62.0,
        "AIT-609": 0.01,
        "PIT-951": 4.2,
        "TIT-001": 14.0,
        "LIT-410": 71.0,
    }


def image(device: DeviceMap, *, state: State, panel: Panel, controller: Controller, faults: Faults) -> Image:
    """The registers of one device.

    Args:
        device: which.
        state: the water.
        panel: the instruments.
        controller: PC1.
        faults: what is wrong.
    """
    values = _SOURCES[device.name](state, panel, controller, faults)
    tables: dict[int, dict[int, int]] = {
        table: dict.fromkeys(range(first, first + count), 0) for table, (first, count) in device.extents.items()
    }
    for point in device.points:
        counts = faults.loops.get(point.tag)
        raw = point.raw(values[point.tag]) if counts is None else counts
        for at, word in enumerate(encode(raw, point.encoding)):
            tables[point.table][point.address + at] = word
    return Image(tables)


def _an1(_state: State, panel: Panel, _controller: Controller, faults: Faults) -> Mapping[str, float]:
    shown = {tag: panel.reading(tag) for tag in ("AIT-501", "AIT-511", "AIT-512", "AIT-510", "FIT-510S")}
    status = (
        HOLD_BIT * ("AN1" in faults.held)
        | OVER_RANGE_BIT * (shown["AIT-510"] >= AN1_SPAN_NTU)
        | LOW_FLOW_BIT * (not panel.flow_switch_on)  # the same paddle contact is wired to AN1
    )
    return {**shown, "AN1-STS": status, "AN1-AGE": 41, "AN1-TST": AN1_TEST_CONSTANT}


def _an2(_state: State, panel: Panel, _controller: Controller, faults: Faults) -> Mapping[str, float]:
    shown = {tag: panel.reading(tag) for tag in ("AIT-801", "TIT-801", "AIT-802", "AIT-951", "FIT-801S")}
    return {**shown, "AN2-STS": HOLD_BIT * ("AN2" in faults.held), "LI-802R": 74}


def _ri1(state: State, panel: Panel, controller: Controller, faults: Faults) -> Mapping[str, float]:
    loops = {point.tag: panel.reading(point.tag) for point in RI1.points if point.table == INPUT_REGISTERS}
    return {
        **loops,
        "ZSO-901": controller.proven_product,
        "ZSC-901": controller.proven_divert,
        "ZSC-955": controller.supply_proven_closed,
        "FSL-510": panel.flow_switch_on,
        "FSL-801": state.tap.flow_m3_h > 0 and not faults.mains_lost,
        "LSHH-161": state.buffers.eht_m3 > 0.95 * 40,
        "PWR-OK": not faults.mains_lost,
        "DOOR-1": 0,
        "ESTOP-1": 1,
        "LEAK-1": 0,
    }


def _pc1(state: State, _panel: Panel, controller: Controller, _faults: Faults) -> Mapping[str, float]:
    beat, permit, feed, supply = controller.registers
    return {
        "PC1-STATE": controller.shown_state,
        "PC1-CAUSE": controller.cause,
        "F501-STATE": controller.filter_modes[0],
        "F502-STATE": controller.filter_modes[1],
        "FSP-201": controller.setpoint_m3_h,
        "PC1-CLK": pc1.clock_digits(controller.now_ms),
        "PC1-HB": pc1.heartbeat(controller),
        "GW-HB": beat,
        "GW-PERMIT": permit,
        "GW-FEED": feed,
        "GW-DELIV": supply,
        "XV901-CMD": controller.product_solenoid,
        "XV955-CMD": controller.supply_solenoid,
        "P951-RUN": controller.pump_runs and state.tank.volume_m3 > 0,
    }


_SOURCES = {"AN1": _an1, "AN2": _an2, "RI1": _ri1, "PC1": _pc1}
