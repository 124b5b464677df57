"""Devices that lie, on TCP and on RTU over TCP, and an honest one beside them, read through the driver.

All of them share one loop with the driver, each on a connection of its own. A reply counts as
a try when it was asked for; what the driver makes of it is a value, which has
to be the truth of that very request, or an error with a name.
"""

import asyncio
import contextlib
import math
import random
import resource
import time
from collections.abc import AsyncIterator
from pathlib import Path

from gateway.configuration.schema import NetworkConnection
from gateway.drivers.driver import Block, Connection, Table
from gateway.drivers.errors import EdgeError
from gateway.drivers.modbus.connection import ModbusConnection
from tests.drivers.hostile import peer
from tests.faults.frame import Row, Tally
from tests.faults.liar import Liar, truth

TIMEOUT_S = 0.08
PATIENT_S = 10.0  # of the honest device, whose line nothing may harm
HANG_S = 10.0  # a read that takes longer hangs
SHARE = {"tcp": 0.05, "rtu": 0.02}  # of lies; each silence costs its time-out, and a serial line its quiet time
PART = {"tcp": 0.70, "rtu": 0.25, "honest": 0.05}  # of the tries
LINES = {"tcp": 8, "rtu": 12, "honest": 1}  # side by side, so that one reads while another waits
MOST_GROWN_KB = 40_000


def run(tries: int, seed: int) -> Tally:
    """Read until so many replies have been asked for."""
    return asyncio.run(_campaign(tries, seed))


async def _campaign(tries: int, seed: int) -> Tally:
    tally = Tally()
    await _all_lines(Tally(), 30, seed)  # what is made once is no leak
    tasks, files, memory_kb = len(asyncio.all_tasks()), _open_files(), _most_memory_kb()
    await _all_lines(tally, tries, seed)
    await asyncio.sleep(0)
    tally.count("tasks left over", len(asyncio.all_tasks()) - tasks)
    tally.count("file handles left over", _open_files() - files)
    tally.count("kB of memory grown", grown := _most_memory_kb() - memory_kb)
    if tally.counts["tasks left over"] > 0 or tally.counts["file handles left over"] > 0 or grown > MOST_GROWN_KB:
        tally.lost.append(f"leak: {tally.counts}")
    return tally


async def _all_lines(tally: Tally, tries: int, seed: int) -> None:
    async with asyncio.TaskGroup() as lines:
        for name, part in PART.items():
            for number in range(LINES[name]):
                chance = random.Random(f"{seed} {name} {number}")  # noqa: S311 - lies
                lines.create_task(_line(name, math.ceil(tries * part / LINES[name]), chance, tally))


async def _line(name: str, tries: int, chance: random.Random, tally: Tally) -> None:
    timeout_s = PATIENT_S if name == "honest" else TIMEOUT_S
    liar = Liar(chance=random.Random(chance.random()), share=SHARE.get(name, 0.0), timeout_s=timeout_s)  # noqa: S311 - lies
    async with _connected(liar, rtu=name == "rtu", timeout_s=timeout_s) as connection:
        while liar.request < tries:
            before, wrong = liar.request, await _read(connection, liar, chance, tally, honest=name == "honest")
            if liar.request == before:  # nothing was asked: the driver waits until a late reply is out of the question
                await asyncio.sleep(TIMEOUT_S / 4)
            tally.tried += liar.request - before
            tally.kept += liar.request - before - bool(wrong)
            if wrong:
                tally.lost.append(f"{name}, reply {liar.request}: {wrong}")
    for lie, times in liar.told.items():
        tally.count(f"{name}: {lie}", times)


@contextlib.asynccontextmanager
async def _connected(liar: Liar, *, rtu: bool, timeout_s: float) -> AsyncIterator[Connection]:
    async with peer(rtu=rtu, script=liar) as device:
        keys = NetworkConnection(
            transport="rtu_over_tcp" if rtu else "tcp",
            host="127.0.0.1",
            port=device.port,
            reply_timeout_s=timeout_s,
            quiet_after_timeout_s=timeout_s / 2,
            pause_s=0.0,
        )
        connection = ModbusConnection("liar", keys)
        await connection.open()
        try:
            yield connection
        finally:
            await connection.close()


async def _read(connection: Connection, liar: Liar, chance: random.Random, tally: Tally, *, honest: bool) -> str:
    """One read of a few registers anywhere. Returns what is wrong with what came of it, empty when nothing is."""
    block = Block(
        unit_id=chance.randrange(1, 4), table=Table.HOLDING, address=chance.randrange(300), count=chance.randrange(1, 9)
    )
    began = time.monotonic()
    try:
        values = await asyncio.wait_for(connection.read(block), HANG_S)
    except EdgeError as error:
        tally.count(f"ended as {type(error).__name__}")
        return f"an honest device: {error}" if honest else ""
    except TimeoutError:
        return f"{block} hangs"
    finally:
        tally.at_worst(time.monotonic() - began)
    tally.count("accepted as good")
    asked = liar.asked
    assert asked is not None
    if (asked.unit_id, asked.address, asked.count) != (block.unit_id, block.address, block.count):
        return f"{block} accepted, and the device was last asked {asked}"
    holds = truth(asked, liar.request)
    return "" if values == holds else f"{block} gives {values}, and holds {holds}"


def _open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def _most_memory_kb() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


ROW = Row(
    fault="devices that answer late, twice, in pieces, cut short, for others, with old replies, floods or nothing",
    promise="no wrong value is accepted as good, no read hangs, nothing leaks, an honest line beside them is unharmed",
    figure="s the longest read",
    most=HANG_S,
    goal=1_000_000,
    run=run,
)
