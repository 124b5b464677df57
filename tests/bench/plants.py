"""Plants of any size for the bench: devices of forty tags, alarms on 30 % of them, interlocks on 2 %.

The first two tags of a device are its status word and its sample flow; each
other number is vouched for by the status, every tenth by the flow as well.
Readings swing about 50 with noise on them and cross the limits now and then.
"""

import math
from collections.abc import Callable, Sequence
from random import Random

from gateway.configuration.poll_plan import Block, PlannedBlock, Slot, Table
from gateway.core.alarm import AlarmRule
from gateway.core.condition import BadQuality, Condition, Limit, Rate, Side
from gateway.core.interlock import Effect, InterlockRule
from gateway.core.output import OutputRule
from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.sample import Number, Sample
from gateway.core.scaling import Scaling
from gateway.core.scan import Moment
from gateway.core.tick import Tick
from gateway.core.validity import BadWhen, TagRule, ValidWhen
from gateway.core.voting import BadVote, Cause
from tests.bench.libmodbus_peer import APART

TAGS_A_DEVICE, BLOCKS_A_DEVICE, REGISTERS_A_BLOCK = 40, 4, 125
TAGS_A_BLOCK = TAGS_A_DEVICE // BLOCKS_A_DEVICE
ALARMS, INTERLOCKS = 0.30, 0.02
HIGH, LOW, DEADBAND = 60.0, 40.0, 1.0
ON_DELAY_MS = 5_000
SCAN_MS = 1_000
SCANS_A_SAMPLE = 5  # a tag is read every five seconds, a fifth of all in each scan
UTC_MS = 1_738_800_000_000

_STATUS, _FLOW = 0, 1  # places in a device
_OUT_OF_ANY_RANGE = 80.0


def tag(number: int) -> str:
    """Name of a tag, counted over the whole plant."""
    return f"D{number // TAGS_A_DEVICE:03}-{number % TAGS_A_DEVICE:02}"


def _place(number: int) -> int:
    return number % TAGS_A_DEVICE


def _measured(tags: int) -> list[int]:
    return [number for number in range(tags) if _place(number) not in {_STATUS, _FLOW}]


def _spread(tags: int, share: float) -> list[int]:
    """A share of all tags, all of them measured, spread evenly over the devices."""
    measured, wanted = _measured(tags), round(tags * share)
    return [measured[at * len(measured) // wanted] for at in range(wanted)]


def _rule(number: int) -> TagRule:
    stale_ms = 3 * SCANS_A_SAMPLE * SCAN_MS
    if _place(number) in {_STATUS, _FLOW}:
        return TagRule(tag=tag(number), stale_after_ms=stale_ms)
    first = number - _place(number)
    flow = ValidWhen(tag=tag(first + _FLOW), minimum=1.0, invalid_after_ms=5_000, purge_ms=10_000)
    return TagRule(
        tag=tag(number),
        unit="NTU",
        stale_after_ms=stale_ms,
        bad_when=(BadWhen(tag=tag(first + _STATUS), mask=0b110, reason=Reason.DEVICE_FAULT),),
        valid_when=(flow,) if number % 10 == 0 else (),
        frozen_after_ms=1_800_000 if number % 4 == 0 else None,
    )


def high(number: int) -> Condition:
    """The limit that most alarms watch."""
    return Limit(tag=tag(number), side=Side.HIGH, limit=HIGH, deadband=DEADBAND)


def _condition(at: int, number: int) -> Condition:
    """Of ten alarms seven watch a limit, two a quality, one a rate."""
    match at % 10:
        case 6:
            return Limit(tag=tag(number), side=Side.LOW, limit=LOW, deadband=DEADBAND)
        case 7 | 8:
            return BadQuality(tag=tag(number))
        case 9:
            return Rate(tag=tag(number), limit=500.0, deadband=20.0)
        case _:
            return high(number)


def alarms(tags: int, condition: Callable[[int, int], Condition] = _condition) -> list[tuple[int, AlarmRule]]:
    """Alarms on 30 % of the tags, each with the number of its tag."""
    return [
        (number, AlarmRule(id=f"A{at:04}", condition=condition(at, number), on_delay_ms=ON_DELAY_MS))
        for at, number in enumerate(_spread(tags, ALARMS))
    ]


def _interlock(at: int, number: int) -> InterlockRule:
    limit = Limit(tag=tag(number), side=Side.HIGH, limit=HIGH + 1, deadband=DEADBAND)
    watched: Condition = limit if at % 2 else BadQuality(tag=tag(number))
    return InterlockRule(
        id=f"I{at:03}",
        causes=(Cause(inputs=(watched,), trip_delay_ms=10_000, bad=BadVote.ELSEWHERE),),
        effects=(Effect(output="product", level="withdrawn"),),
        latched=at % 4 != 1,
        restore_delay_ms=5_000,
    )


def plant(tags: int, alarm_rules: Sequence[AlarmRule] | None = None) -> Plant:
    """A plant of so many tags; its alarms may be others than those on 30 %."""
    product = OutputRule(
        id="product",
        register_tag="PERMIT",
        codes={"permitted": 42_405, "withdrawn": 0},
        safe_level="withdrawn",
        normal_level="permitted",
    )
    return Plant(
        tags=tuple(_rule(number) for number in range(tags)),
        alarms=tuple(rule for _, rule in alarms(tags)) if alarm_rules is None else tuple(alarm_rules),
        interlocks=tuple(_interlock(at, number) for at, number in enumerate(_spread(tags, INTERLOCKS))),
        outputs=(product,),
    )


# --- readings without a wire -----------------------------------------------------------------------------------


def tick(scan: int) -> Tick:
    """When a scan happens."""
    return Tick(monotonic_ms=scan * SCAN_MS, utc_ms=UTC_MS + scan * SCAN_MS, utc_trusted=True)


def moments(tags: int, scans: int, *, first: int = 1) -> list[Moment]:
    """Scans one second apart, in each of which a fifth of the tags is read."""
    dice = Random(first)  # noqa: S311 - noise of instruments
    return [Moment(tick=tick(scan), arrivals=_arrivals(tags, scan, dice)) for scan in range(first, first + scans)]


def _arrivals(tags: int, scan: int, dice: Random) -> list[Sample]:
    now = tick(scan)
    return [
        Sample(tag=tag(number), reading=Number(_value(number, scan, dice)), arrived=now, source_utc_ms=now.utc_ms)
        for number in range(tags)
        if (number + scan) % SCANS_A_SAMPLE == 0
    ]


def _value(number: int, scan: int, dice: Random) -> float:
    if _place(number) == _STATUS:
        return 0.0
    if _place(number) == _FLOW:
        return 2.0
    return 50.0 + 11.0 * math.sin(scan / 20 + number) + dice.gauss(0.0, 1.5)


# --- the same devices on a wire --------------------------------------------------------------------------------


def blocks(device: int, interval_ms: int) -> list[PlannedBlock]:
    """Four requests for 125 holding registers each, with ten numbers in each of them."""
    return [_block(device, at, interval_ms) for at in range(BLOCKS_A_DEVICE)]


def _block(device: int, at: int, interval_ms: int) -> PlannedBlock:
    first = device * TAGS_A_DEVICE + at * TAGS_A_BLOCK
    slots = [Slot(tag=tag(first + one), offset=APART * one, count=2, type="float32") for one in range(TAGS_A_BLOCK)]
    block = Block(unit_id=1, table=Table.HOLDING, address=at * REGISTERS_A_BLOCK, count=REGISTERS_A_BLOCK)
    return PlannedBlock(block=block, interval_ms=interval_ms, hurried_ms=interval_ms, slots=tuple(slots))


def scalings(tags: int) -> dict[str, Scaling]:
    """How each tag is read: as it stands, in a range."""
    return {tag(number): Scaling(range_low=0.0, range_high=_OUT_OF_ANY_RANGE) for number in range(tags)}
