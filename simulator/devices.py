"""Where every tag of the 17 devices lies: their register maps (scenario section 6). Tables, and nothing else.

A device map says which tag lies where, in which type and byte order, and what
the device puts up with. What the registers hold is decided in
``device_values``.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.drivers.modbus.codec import Encoding

COILS, DISCRETE_INPUTS, HOLDING_REGISTERS, INPUT_REGISTERS = 1, 2, 3, 4  # by the function that reads them

COUNTS_AT_4_MA, COUNTS_AT_20_MA = 6400, 32000

_FLOATS = ("float32", "float64")
U16 = Encoding("uint16")
I16 = Encoding("int16")
U32_ABCD, U32_CDAB, U32_DCBA = Encoding("uint32"), Encoding("uint32", "CDAB"), Encoding("uint32", "DCBA")
I32 = Encoding("int32")
U64 = Encoding("uint64")
F32_ABCD, F32_CDAB = Encoding("float32"), Encoding("float32", "CDAB")
F32_BADC, F32_DCBA = Encoding("float32", "BADC"), Encoding("float32", "DCBA")
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
        return value if self.encoding.kind in _FLOATS else round(value / self.scale)


@dataclass(frozen=True, slots=True)
class Image:
    """What a device would answer now: words or bits by address, for each table it has."""

    tables: Mapping[int, Mapping[int, int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceMap:
    """One device's registers.

    Args:
        name: of the device; unit_id: behind its line.
        line: serial line or network connection it is reached by.
        points: where its tags lie.
        extents: for each table the first address and the number that exist; what no tag uses reads 0.
        longest_read: registers in one request, beyond which it answers exception 02.
        writable: the device takes function 16 at all.
    """

    name: str
    line: str
    unit_id: int
    points: tuple[Point, ...]
    extents: Mapping[int, tuple[int, int]]
    longest_read: int = 125
    writable: bool = False


def _loop(tag: str, address: int, lowest: float, highest: float) -> Point:
    return Point(tag, INPUT_REGISTERS, address, U16, span=(lowest, highest))


AN1 = DeviceMap(
    name="AN1",
    line="COM1",
    unit_id=11,
    extents={HOLDING_REGISTERS: (0, 100)},
    points=(
        Point("AIT-501", HOLDING_REGISTERS, 10, F32_CDAB),
        Point("AIT-511", HOLDING_REGISTERS, 12, F32_CDAB),
        Point("AIT-512", HOLDING_REGISTERS, 14, F32_CDAB),
        Point("AIT-510", HOLDING_REGISTERS, 16, F32_CDAB),
        Point("FIT-510S", HOLDING_REGISTERS, 18, F32_CDAB),
        Point("AN1-STS", HOLDING_REGISTERS, 20),
        Point("AN1-AGE", HOLDING_REGISTERS, 21),
        Point("AN1-TST", HOLDING_REGISTERS, 90, F32_CDAB),
    ),
)
AN2 = DeviceMap(
    name="AN2",
    line="COM1",
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
AN3 = DeviceMap(
    name="AN3",
    line="COM1",
    unit_id=13,
    extents={HOLDING_REGISTERS: (100, 2)},
    points=(
        Point("AIT-701", HOLDING_REGISTERS, 100, U16, scale=0.1),
        Point("AN3-STS", HOLDING_REGISTERS, 101),
    ),
)
UV1 = DeviceMap(
    name="UV1",
    line="UV1",
    unit_id=1,
    extents={HOLDING_REGISTERS: (200, 10)},
    points=(
        Point("AIT-702", HOLDING_REGISTERS, 200, F32_ABCD),
        Point("JI-701", HOLDING_REGISTERS, 202, F32_ABCD),
        Point("AI-703", HOLDING_REGISTERS, 204, F32_ABCD),
        Point("KQI-701", HOLDING_REGISTERS, 206, U32_ABCD),
        Point("UV1-STS", HOLDING_REGISTERS, 208),
        Point("UV1-STARTS", HOLDING_REGISTERS, 209),
    ),
)
OZ1 = DeviceMap(
    name="OZ1",
    line="OZ1",
    unit_id=31,
    extents={HOLDING_REGISTERS: (0, 11), DISCRETE_INPUTS: (0, 1)},
    points=(
        Point("AIT-601", HOLDING_REGISTERS, 0, U16, scale=0.1),
        Point("FIT-601", HOLDING_REGISTERS, 1, U16, scale=0.01),
        Point("AO-602", HOLDING_REGISTERS, 2, U16, scale=0.1),
        Point("JI-603", HOLDING_REGISTERS, 3),
        Point("TIT-604", HOLDING_REGISTERS, 4, I16, scale=0.1),
        Point("AIT-605", HOLDING_REGISTERS, 5, U16, scale=0.001),
        Point("OZ1-HRS", HOLDING_REGISTERS, 8, U32_CDAB),
        Point("OZ1-FLT", HOLDING_REGISTERS, 10),
        Point("OZ1-RUN", DISCRETE_INPUTS, 0),
    ),
)
GP1 = DeviceMap(
    name="GP1",
    line="COM2",
    unit_id=21,
    extents={HOLDING_REGISTERS: (0, 10)},
    points=(
        Point("GP1-STATE", HOLDING_REGISTERS, 0),
        Point("IIT-101A", HOLDING_REGISTERS, 1, U16, scale=0.1),
        Point("IIT-101B", HOLDING_REGISTERS, 2, U16, scale=0.1),
        Point("GP1-FLT", HOLDING_REGISTERS, 3),
        Point("GP1-STA", HOLDING_REGISTERS, 4, U32_ABCD),
        Point("GP1-STB", HOLDING_REGISTERS, 6, U32_ABCD),
        Point("GP1-RUNA", HOLDING_REGISTERS, 8, U32_ABCD),
    ),
)
VF1 = DeviceMap(
    name="VF1",
    line="COM2",
    unit_id=22,
    extents={HOLDING_REGISTERS: (8448, 4)},
    points=(
        Point("SI-201", HOLDING_REGISTERS, 8448, U16, scale=0.01),
        Point("IIT-201", HOLDING_REGISTERS, 8449, U16, scale=0.01),
        Point("VF1-STS", HOLDING_REGISTERS, 8450),
        Point("VF1-FLT", HOLDING_REGISTERS, 8451),
    ),
)
BL1 = DeviceMap(
    name="BL1",
    line="COM2",
    unit_id=24,
    extents={HOLDING_REGISTERS: (0, 3)},
    points=(
        Point("IIT-301", HOLDING_REGISTERS, 0, U16, scale=0.1),
        Point("IIT-302", HOLDING_REGISTERS, 1, U16, scale=0.1),
        Point("PIT-303", HOLDING_REGISTERS, 2, I16, scale=0.1),
    ),
)
DP1 = DeviceMap(
    name="DP1",
    line="COM2",
    unit_id=23,
    extents={HOLDING_REGISTERS: (0, 7)},
    points=(
        Point("FSP-801", HOLDING_REGISTERS, 0, F32_DCBA),
        Point("FI-801", HOLDING_REGISTERS, 2, F32_DCBA),
        Point("FQ-801", HOLDING_REGISTERS, 4, U32_DCBA),
        Point("DP1-STS", HOLDING_REGISTERS, 6),
    ),
)


def _flow_meter(name: str, unit_id: int, number: str) -> DeviceMap:
    """One of five alike: flow, and a total in litres in four registers."""
    return DeviceMap(
        name=name,
        line="COM2",
        unit_id=unit_id,
        extents={HOLDING_REGISTERS: (0, 8)},
        points=(
            Point(f"FIT-{number}", HOLDING_REGISTERS, 0, F32_BADC),
            Point(f"FQI-{number}", HOLDING_REGISTERS, 4, U64, scale=0.001),
        ),
    )


FM1, FM2, FM3 = _flow_meter("FM1", 41, "201"), _flow_meter("FM2", 42, "701"), _flow_meter("FM3", 43, "905")
FM4, FM5 = _flow_meter("FM4", 44, "951"), _flow_meter("FM5", 45, "960")
PW1 = DeviceMap(
    name="PW1",
    line="COM2",
    unit_id=51,
    extents={HOLDING_REGISTERS: (0, 22)},
    points=(
        Point("EIT-901", HOLDING_REGISTERS, 0, I32, scale=0.001),
        Point("JIT-901", HOLDING_REGISTERS, 4, I32, scale=0.001),
        Point("EQI-901", HOLDING_REGISTERS, 6, U32_ABCD, scale=0.1),
        Point("UPS-SOC", HOLDING_REGISTERS, 20),
        Point("UPS-MIN", HOLDING_REGISTERS, 21),
    ),
)
RI1 = DeviceMap(
    name="RI1",
    line="RI1",
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
    line="PC1",
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
DEVICES = {
    one.name: one for one in (AN1, AN2, AN3, UV1, OZ1, GP1, VF1, BL1, DP1, FM1, FM2, FM3, FM4, FM5, RI1, PC1, PW1)
}
LINES = tuple(dict.fromkeys(one.line for one in DEVICES.values()))
ON_UPS = frozenset({"AN1", "AN2", "AN3", "RI1", "PC1", "PW1"})
"""What goes on when the mains are lost (event E09); everything else falls silent."""


def behind(line: str) -> tuple[DeviceMap, ...]:
    """The devices of a line."""
    return tuple(one for one in DEVICES.values() if one.line == line)
