"""What the registers of the 17 devices hold: the plant seen through its instruments (scenario section 6). Pure.

One function a device that puts the values in, by tag and in the tag's unit.
Decides nothing about the plant and knows no socket; where a tag lies stands in
``devices``.
"""

import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache, partial

from gateway.configuration.schema import REGISTERS, ByteOrder
from gateway.drivers.modbus.codec import LARGEST_REGISTER, Encoding, encode
from simulator import controller as pc1
from simulator.almanac import DAY_MS, HOUR_MS, local_ms, local_time
from simulator.controller import Controller
from simulator.devices import U16, DeviceMap, Image, Point
from simulator.faults import Faults
from simulator.instruments import Panel
from simulator.power import MAINS_V
from simulator.process import State
from simulator.tanks import EHT_M3, EQ_M3

HOLD_BIT, CALIBRATION_BIT = 1 << 0, 1 << 1
OVER_RANGE_BIT, LOW_FLOW_BIT = 1 << 3, 1 << 4  # of AN1
AN1_TEST_CONSTANT = 12345.678
AN1_SPAN_NTU = 20.0
AN3_OK, AN3_CLEANING, AN3_NO_VALUE = 0, 1, 6553.5
LAMP_HOURS_FIRST, LAMPS_FIRST_MS = 7_840, local_ms("2025-02-01 00:00")
COMPRESSOR_HOURS_FIRST = 5_230.0
READY_BIT, RUNNING_BIT = 1 << 0, 1 << 2  # of VF1
RUN_BIT, GAS_LOCK_BIT, NO_FLOW_BIT, MANUAL_BIT = 1 << 0, 1 << 1, 1 << 2, 1 << 4  # of DP1
TOTALS_FIRST_M3 = {"201": 21_408.112, "701": 20_951.640, "905": 2_044.305, "951": 17_730.918, "960": 611.027}
VERIFIED_WEEKDAY, VERIFIED_HOUR = 0, 9  # AN1 is verified on Monday's visit
HZ_PER_M3_H, HZ_LEAST = 18.0, 6.0
BLOWER_A, HEADER_KPA = 4.6, 38.0


def true_values(state: State) -> dict[str, float]:
    """What each instrument would show of this plant if it were perfect, by tag."""
    return {**_waters(state), **_levels(state), **_machines(state), **_flows(state)}


def _waters(state: State) -> dict[str, float]:
    first, second = state.filters
    ozone, lamps = state.ozone, state.lamps
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
        "AIT-301": 2.4,
        "AIT-701": ozone.uvt_percent,
        "AIT-702": state.intensity_w_m2,
        "JI-701": 100.0 * lamps.lit,
        "AI-703": state.dose_mj_cm2,
        "AIT-605": ozone.dissolved_mg_l,
        "AIT-609": 0.01,
    }


def _levels(state: State) -> dict[str, float]:
    first, second = state.filters
    return {
        "LIT-101": state.sump.level_m,
        "LIT-151": state.buffers.eq_m3 / EQ_M3 * 100,
        "LIT-161": state.buffers.eht_m3 / EHT_M3 * 100,
        "LIT-901": state.tank.share * 100,
        "LIT-810": state.dosing.stock_percent,
        "LIT-410": 71.0,
        "PDIT-501": first.pressure_bar,
        "PDIT-502": second.pressure_bar,
        "PIT-951": 4.2,
        "PIT-303": HEADER_KPA,
        "TIT-001": 14.0,
    }


def _machines(state: State) -> dict[str, float]:
    ozone, sump, feed_m3_h = state.ozone, state.sump, state.feed_m3_h
    return {
        "AIT-601": ozone.purity_percent,
        "FIT-601": ozone.oxygen_l_min,
        "AO-602": ozone.production_g_h,
        "JI-603": ozone.power_w,
        "TIT-604": 18.0,
        "IIT-101A": sump.first.current_a,
        "IIT-101B": sump.second.current_a,
        "SI-201": HZ_LEAST + HZ_PER_M3_H * feed_m3_h if feed_m3_h > 0 else 0.0,
        "IIT-201": 1.1 + 0.9 * feed_m3_h if feed_m3_h > 0 else 0.0,
        "IIT-301": BLOWER_A,
        "IIT-302": 0.0,  # stands by
        "EIT-901": MAINS_V * state.supply.mains,
        "JIT-901": state.supply.drawn_kw,
    }


def _flows(state: State) -> dict[str, float]:
    return {
        "FI-801": state.dosing.delivered_ml_h,
        "FIT-201": state.feed_m3_h,
        "FIT-701": state.tap.flow_m3_h,
        "FIT-905": state.diverted_m3_h,
        "FIT-951": state.tank.delivered_m3_h,
        "FIT-960": state.tank.makeup_m3_h,
    }


class Registers:
    """The registers of one device, encoded anew only where what they hold has changed.

    Args:
        device: which.
    """

    def __init__(self, device: DeviceMap) -> None:
        self._device = device
        self._tables = {
            table: dict.fromkeys(range(first, first + count), 0) for table, (first, count) in device.extents.items()
        }
        self._held: dict[str, float] = {}  # by tag, what the registers hold
        self._ordered: ByteOrder | None = None

    def image(self, *, state: State, panel: Panel, controller: Controller, faults: Faults) -> Image:
        """What they hold now.

        Args:
            state: the water.
            panel: the instruments.
            controller: PC1.
            faults: what is wrong.
        """
        values = _SOURCES[self._device.name](state, panel, controller, faults)
        order = faults.byte_orders.get(self._device.name)
        told = bool(faults.loops or faults.forced)
        if told or order != self._ordered:
            self._held.clear()
            self._ordered = order
        held = self._held
        for point in self._device.points:
            value = values[point.tag]
            if value and held.get(point.tag) == value:  # not a zero: there are two of them that are equal
                continue
            self._put(point, _raw(point, value, faults) if told else point.raw(value), order)
            held[point.tag] = value
        if told:
            held.clear()
        return Image({table: words.copy() for table, words in self._tables.items()})

    def _put(self, point: Point, raw: float, order: ByteOrder | None) -> None:
        words = self._tables[point.table]
        if point.encoding is U16 and 0 <= raw <= LARGEST_REGISTER:  # two thirds of them; the codec would do the same
            words[point.address] = int(raw)
            return
        encoding = point.encoding if order is None else _reordered(point.encoding, order)
        for at, word in enumerate(_encoder(encoding)(raw), point.address):
            words[at] = word


def _raw(point: Point, value: float, faults: Faults) -> float:
    counts = faults.loops.get(point.tag)
    return point.raw(faults.forced.get(point.tag, value)) if counts is None else counts


@cache
def _encoder(encoding: Encoding) -> Callable[[float], Sequence[int]]:
    """``encode`` for one encoding; the floats, of which there are many, without its questions."""
    if encoding.kind != "float32":
        return partial(encode, encoding=encoding)
    single, pair = struct.Struct(">f"), struct.Struct("<2H" if encoding.order in ("BADC", "DCBA") else ">2H")
    step = -1 if encoding.order in ("CDAB", "DCBA") else 1
    return lambda value: pair.unpack(single.pack(value))[::step]


@cache
def _reordered(encoding: Encoding, order: ByteOrder) -> Encoding:
    """The same type from a unit that sends another order; one register has none."""
    return encoding if REGISTERS[encoding.kind] == 1 else replace(encoding, order=order)


def _an1(state: State, panel: Panel, _controller: Controller, faults: Faults) -> Mapping[str, float]:
    shown = {tag: panel.reading(tag) for tag in ("AIT-501", "AIT-511", "AIT-512", "AIT-510", "FIT-510S")}
    status = (
        _service_bits("AN1", faults)
        | OVER_RANGE_BIT * (shown["AIT-510"] >= AN1_SPAN_NTU)
        | LOW_FLOW_BIT * (not panel.flow_switch_on)  # the same paddle contact is wired to AN1
    )
    return {
        **shown,
        "AN1-STS": status,
        "AN1-AGE": _hours_since_verification(state.at_ms),
        "AN1-TST": AN1_TEST_CONSTANT,
    }


def _service_bits(device: str, faults: Faults) -> int:
    return HOLD_BIT * (device in faults.held) | CALIBRATION_BIT * (device in faults.calibrating)


def _hours_since_verification(at_ms: int) -> int:
    days = (local_time(at_ms).weekday() - VERIFIED_WEEKDAY) % 7
    hours = days * 24 + at_ms % DAY_MS // HOUR_MS - VERIFIED_HOUR
    return hours % (7 * 24)


def _an2(_state: State, panel: Panel, _controller: Controller, faults: Faults) -> Mapping[str, float]:
    shown = {tag: panel.reading(tag) for tag in ("AIT-801", "TIT-801", "AIT-802", "AIT-951", "FIT-801S")}
    return {**shown, "AN2-STS": _service_bits("AN2", faults), "LI-802R": 74}


def _an3(_state: State, panel: Panel, _controller: Controller, faults: Faults) -> Mapping[str, float]:
    cleaning = "AN3" in faults.held
    return {
        "AIT-701": AN3_NO_VALUE if cleaning else panel.reading("AIT-701"),
        "AN3-STS": AN3_CLEANING if cleaning else AN3_OK,
    }


def _uv1(state: State, panel: Panel, _controller: Controller, _faults: Faults) -> Mapping[str, float]:
    return {
        **{tag: panel.reading(tag) for tag in ("AIT-702", "JI-701", "AI-703")},
        "KQI-701": LAMP_HOURS_FIRST + (state.at_ms - LAMPS_FIRST_MS) // HOUR_MS,
        "UV1-STS": state.lamps.lit,
        "UV1-STARTS": state.lamps.starts,
    }


def _oz1(state: State, panel: Panel, _controller: Controller, _faults: Faults) -> Mapping[str, float]:
    return {
        **{tag: panel.reading(tag) for tag in ("AIT-601", "FIT-601", "AO-602", "JI-603", "TIT-604", "AIT-605")},
        "OZ1-HRS": int(COMPRESSOR_HOURS_FIRST + state.ozone.run_s / 3600),
        "OZ1-FLT": state.ozone.fault_code,
        "OZ1-RUN": state.ozone.running,
    }


def _gp1(state: State, panel: Panel, _controller: Controller, _faults: Faults) -> Mapping[str, float]:
    first, second = state.sump.first, state.sump.second
    return {
        "GP1-STATE": first.runs + 2 * second.runs,
        "IIT-101A": panel.reading("IIT-101A"),
        "IIT-101B": panel.reading("IIT-101B"),
        "GP1-FLT": first.tripped | second.tripped << 1 | state.sump.high_float << 4,
        "GP1-STA": first.starts,
        "GP1-STB": second.starts,
        "GP1-RUNA": int(first.run_s / 60),
    }


def _vf1(state: State, panel: Panel, _controller: Controller, _faults: Faults) -> Mapping[str, float]:
    return {
        "SI-201": panel.reading("SI-201"),
        "IIT-201": panel.reading("IIT-201"),
        "VF1-STS": READY_BIT | RUNNING_BIT * (state.feed_m3_h > 0),
        "VF1-FLT": 0,
    }


def _bl1(_state: State, panel: Panel, _controller: Controller, _faults: Faults) -> Mapping[str, float]:
    return {tag: panel.reading(tag) for tag in ("IIT-301", "IIT-302", "PIT-303")}


def _dp1(state: State, panel: Panel, _controller: Controller, faults: Faults) -> Mapping[str, float]:
    dosing = state.dosing
    nothing_comes = dosing.setpoint_ml_h > 0 and dosing.delivered_ml_h <= 0
    return {
        "FSP-801": dosing.setpoint_ml_h,
        "FI-801": panel.reading("FI-801"),
        "FQ-801": int(dosing.strokes),
        "DP1-STS": (
            RUN_BIT * (dosing.setpoint_ml_h > 0)
            | GAS_LOCK_BIT * faults.gas_locked
            | NO_FLOW_BIT * nothing_comes
            | MANUAL_BIT * dosing.manual
        ),
    }


def _meter(state: State, panel: Panel, number: str) -> Mapping[str, float]:
    totals = state.totals
    since_start_m3 = {
        "201": totals.feed_m3,
        "701": totals.into_tank_m3 + totals.diverted_m3,
        "905": totals.diverted_m3,
        "951": totals.delivered_m3,
        "960": totals.makeup_m3,
    }
    return {
        f"FIT-{number}": panel.reading(f"FIT-{number}"),
        f"FQI-{number}": TOTALS_FIRST_M3[number] + since_start_m3[number],
    }


def _ri1(state: State, panel: Panel, controller: Controller, faults: Faults) -> Mapping[str, float]:
    return {
        **{tag: panel.reading(tag) for tag in _RI1_LOOPS},
        "PIT-951": panel.reading("PIT-951") * controller.pump_runs,
        "ZSO-901": controller.proven_product,
        "ZSC-901": controller.proven_divert,
        "ZSC-955": controller.supply_proven_closed,
        "FSL-510": panel.flow_switch_on,
        "FSL-801": state.dosing.delivered_ml_h > 0,
        "LSHH-161": state.buffers.eht_m3 > 0.95 * EHT_M3,
        "PWR-OK": not faults.mains_lost,
        "DOOR-1": 0,
        "ESTOP-1": 1,
        "LEAK-1": 0,
    }


_RI1_LOOPS = (
    "LIT-101",
    "LIT-151",
    "LIT-161",
    "LIT-901",
    "PDIT-501",
    "PDIT-502",
    "AIT-301",
    "LIT-810",
    "AIT-609",
    "TIT-001",
    "LIT-410",
)


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


def _pw1(state: State, panel: Panel, _controller: Controller, _faults: Faults) -> Mapping[str, float]:
    supply = state.supply
    return {
        "EIT-901": panel.reading("EIT-901"),
        "JIT-901": panel.reading("JIT-901"),
        "EQI-901": supply.energy_kwh,
        "UPS-SOC": round(supply.ups_share * 100),
        "UPS-MIN": round(supply.ups_left_min),
    }


_SOURCES = {
    "AN1": _an1,
    "AN2": _an2,
    "AN3": _an3,
    "UV1": _uv1,
    "OZ1": _oz1,
    "GP1": _gp1,
    "VF1": _vf1,
    "BL1": _bl1,
    "DP1": _dp1,
    "FM1": lambda state, panel, _controller, _faults: _meter(state, panel, "201"),
    "FM2": lambda state, panel, _controller, _faults: _meter(state, panel, "701"),
    "FM3": lambda state, panel, _controller, _faults: _meter(state, panel, "905"),
    "FM4": lambda state, panel, _controller, _faults: _meter(state, panel, "951"),
    "FM5": lambda state, panel, _controller, _faults: _meter(state, panel, "960"),
    "RI1": _ri1,
    "PC1": _pc1,
    "PW1": _pw1,
}
