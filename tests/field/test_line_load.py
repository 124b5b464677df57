"""What the check promises of a line with one device dead is what the poller keeps."""

import asyncio
from collections.abc import Sequence
from itertools import pairwise
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.configuration.line_load import LineLoad, line_loads, request_s
from gateway.configuration.poll_plan import Block, PlannedBlock, plan_blocks
from gateway.configuration.schema import Device, NetworkConnection, Site, SiteKeys, Tag
from gateway.core.sample import Number, Sample
from gateway.core.scaling import Scaling
from gateway.drivers.errors import NoAnswer
from gateway.field.clock import ManualClock
from gateway.field.image import InputImage
from gateway.field.polling import Poller

CONNECTION = NetworkConnection(
    transport="rtu_over_tcp", host="127.0.0.1", reply_timeout_s=0.5, quiet_after_timeout_s=0.3, line_baud_rate=9_600
)
RUN_MS = 240_000


class Line:
    """A line on which every request takes what the plan says, and one unit falls silent at some moment."""

    name = "L1"
    connects = 1
    last_reply_s = 0.0

    def __init__(self, clock: ManualClock, plan: dict[Block, float], dead: int | None, from_ms: int) -> None:
        self._clock, self._plan, self._dead, self._from_ms = clock, plan, dead, from_ms

    async def open(self) -> None:
        pass

    async def read(self, block: Block) -> tuple[int, ...]:
        if block.unit_id == self._dead and self._clock.now().monotonic_ms >= self._from_ms:
            await self._clock.sleep(CONNECTION.reply_timeout_s + CONNECTION.quiet_after_timeout_s)
            raise NoAnswer("dead")
        await self._clock.sleep(self._plan[block])
        return (0,) * block.count

    async def write(self, block: Block, values: Sequence[int]) -> None:
        raise AssertionError(f"polling wrote {values} to {block}")

    async def close(self) -> None:
        pass


def longest_gap_s(blocks: Sequence[PlannedBlock], line: Line, clock: ManualClock, tag: str) -> float:
    """Longest time from one good reading of a tag to the next while the poller runs."""
    image = InputImage()

    async def run() -> None:
        scalings = {name: Scaling() for block in blocks for name in block.tags}
        poller = Poller(connection=line, blocks=blocks, scalings=scalings, image=image, clock=clock, random=Random(1))  # noqa: S311 - a run that repeats
        task = asyncio.ensure_future(poller.run())
        await clock.run_for(RUN_MS)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(run())
    good = [s.arrived.monotonic_ms for s in image.take() if isinstance(s, Sample) and s.tag == tag and is_good(s)]
    assert len(good) > 1
    return max(later - earlier for earlier, later in pairwise(good)) / 1_000


def is_good(sample: Sample) -> bool:
    return isinstance(sample.reading, Number)


@st.composite
def lines(draw: st.DrawFn) -> Site:
    """Two to six devices with a few blocks each, whose plan the check would accept."""
    devices: dict[str, Device] = {}
    tags: dict[str, Tag] = {}
    for unit in range(1, draw(st.integers(2, 6)) + 1):
        reply_s = draw(st.sampled_from([0.02, 0.1, 0.25]))
        devices[f"D{unit}"] = Device(service="a device", connection="L1", unit_id=unit, reply_s=reply_s)
        for number, interval_s in enumerate(
            draw(st.lists(st.sampled_from([5.0, 5.0, 15.0, 60.0]), min_size=1, max_size=4))
        ):
            tags[f"T{unit}-{number}"] = Tag(
                service="a tag", device=f"D{unit}", table="holding", address=50 * number, type="float32",
                poll_interval_s=interval_s,
            )  # fmt: skip
    keys = SiteKeys(id="lines", name="lines", time_zone="CET")
    return Site(site=keys, connections={"L1": CONNECTION}, devices=devices, tags=tags)


@settings(deadline=None, max_examples=25)
@given(site=lines(), from_ms=st.integers(0, 60_000))
def test_no_reading_of_a_living_device_becomes_older_than_the_check_says(site: Site, from_ms: int) -> None:
    (load,) = line_loads(site)
    assert promised_s(site, load, from_ms) <= load.age_s


def promised_s(site: Site, load: LineLoad, from_ms: int) -> float:
    blocks = plan_blocks(connection="L1", devices=site.devices, tags=site.tags)
    owner = {device.unit_id: device for device in site.devices.values()}
    plan = {block.block: request_s(block, owner[block.block.unit_id], CONNECTION) for block in blocks}
    clock = ManualClock()
    line = Line(clock, plan, site.devices[load.dead].unit_id, from_ms)
    return longest_gap_s(blocks, line, clock, load.tightest)


def test_the_promise_is_no_wild_guess() -> None:
    devices = {
        name: Device(service="a device", connection="L1", unit_id=unit, reply_s=0.25)
        for unit, name in enumerate(("A", "B", "C"), start=1)
    }
    tags = {
        f"{name}-{n}": Tag(
            service="a tag", device=name, table="holding", address=50 * n, type="float32", poll_interval_s=5.0
        )
        for name in devices
        for n in range(4)
    }
    keys = SiteKeys(id="lines", name="lines", time_zone="CET")
    site = Site(site=keys, connections={"L1": CONNECTION}, devices=devices, tags=tags)
    (load,) = line_loads(site)
    seen_s = max(promised_s(site, load, from_ms) for from_ms in range(0, 30_000, 700))
    assert load.age_s - load.cycle_s < seen_s <= load.age_s
