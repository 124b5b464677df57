"""The whole site over sockets for as long as one likes: plant, gateway and broker, events one after the other.

Every few seconds the kernel is asked what the gateway's processes hold:
memory (PSS), file handles, and how large their databases are. The link is a
metered one (``wire``), so that the gateway's own count is seen beside the
proxy's. Nothing is asked of the processes that are measured.
"""

import asyncio
import json
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import cycle
from pathlib import Path

from gateway.store import journal, sample_log
from gateway.store.database import Database
from gateway.store.migrations import PLANT
from simulator.site import PLACE
from simulator.site import Office as Where
from simulator.stage import Script, Stage
from simulator.visitor import Visitor
from tests.acceptance.office import Office, gaps, gaps_between, last_answered, open_office
from tests.acceptance.play import processes_of
from tests.bench.processes import memory_bytes
from tests.soak.wire import MeteredLink, metered_link

EVENTS = ("E01", "E03", "E02")
PAUSE_PLANT_S = 3_600.0  # from one event to the next
_LOOKS = 240  # over the whole time, at most one a second
_TOLD_WITHIN_S = 60.0
_AT_ONCE_BYTES = 1 << 22
_ENTRIES_MOST = 1_000_000
PROCESSES = ("run", "field", "uplink")


@dataclass
class Soaked:
    """What was measured, look by look, and what was left at the end.

    Attributes:
        rate: plant seconds a second.
        at_s: real seconds since the first look.
        memory: bytes of each process.
        handles: open files of each process.
        database_bytes: all files of the record.
        struck: events that have struck.
        samples: recorded in all.
        chunk_bytes: of them as they are packed.
        journal: lines.
        journal_bytes: of them.
        file_bytes: of the database after the stop.
        behind: samples that no message had answered for at the stop.
        missing: what the office has not had.
        doubles: what it has had twice.
        counted: octets on the wire by the proxy.
        metered: the same by the gateway.
        plant_s: how long it was for the plant.
        faults: what does not fit, in words.
    """

    rate: float
    at_s: list[float] = field(default_factory=list)
    memory: dict[str, list[int]] = field(default_factory=lambda: {name: [] for name in PROCESSES})
    handles: dict[str, list[int]] = field(default_factory=lambda: {name: [] for name in PROCESSES})
    database_bytes: list[int] = field(default_factory=list)
    struck: int = 0
    samples: int = 0
    chunk_bytes: int = 0
    journal: int = 0
    journal_bytes: int = 0
    file_bytes: int = 0
    behind: int = 0
    missing: list[str] = field(default_factory=list)
    doubles: int = 0
    counted: int = 0
    metered: int = 0
    plant_s: float = 0.0
    faults: list[str] = field(default_factory=list)


def soak(folder: Path, *, seconds: float, rate: float, pause_plant_s: float = PAUSE_PLANT_S) -> Soaked:
    """Run the site for so many real seconds.

    Args:
        folder: scratch; a short path, since a socket lies in it.
        seconds: how long.
        rate: plant seconds a second.
        pause_plant_s: from one event to the next.
    """
    with metered_link(folder) as link, open_office(link.office_port) as office:
        return asyncio.run(_soak(folder, link, office, seconds=seconds, rate=rate, pause_plant_s=pause_plant_s))


async def _soak(
    folder: Path, link: MeteredLink, office: Office, *, seconds: float, rate: float, pause_plant_s: float
) -> Soaked:
    soaked = Soaked(rate=rate)
    async with Stage(folder / "run", Script(event="calm", rate=rate), Where(port=link.proxy.port)) as stage:
        _encrypt(stage.site / PLACE, link)
        await stage.start_gateway(lambda one: Visitor(one, stage.control, lambda _: None).commission())
        begun = (await stage.control.truth())["utc_ms"]
        striking = asyncio.create_task(_strike(stage, soaked, pause_plant_s / rate))
        await _look_on(stage, soaked, seconds)
        striking.cancel()
        soaked.plant_s = ((await stage.control.truth())["utc_ms"] - begun) / 1_000
        await stage.stop_gateway()
        await _look_at_what_is_left(stage, office, soaked)
        soaked.counted = link.proxy.wire_bytes()
    soaked.metered = max((one["month_bytes"] for one in office.states), default=0)
    return soaked


def _encrypt(place: Path, link: MeteredLink) -> None:
    heading, _, content = place.read_text(encoding="utf-8").partition("\n")
    keys = json.loads(content)
    tls = {"ca_file": link.tls.ca_file, "certificate_file": link.tls.certificate_file, "key_file": link.tls.key_file}
    keys["uplink"]["mqtt"] |= {"tls": {name: str(file) for name, file in tls.items()}, "keepalive_s": 120}
    place.write_text(f"{heading}\n{json.dumps(keys)}\n", encoding="utf-8")


async def _strike(stage: Stage, soaked: Soaked, pause_s: float) -> None:
    for name in cycle(EVENTS):
        await stage.control.ask(do="event", name=name, in_s=1)
        soaked.struck += 1
        await asyncio.sleep(pause_s)


async def _look_on(stage: Stage, soaked: Soaked, seconds: float) -> None:
    began_s, pause_s = time.monotonic(), max(1.0, seconds / _LOOKS)
    first = processes_of(stage.site)
    while (at_s := time.monotonic() - began_s) < seconds:
        pids = processes_of(stage.site)
        if pids != first:
            soaked.faults.append(f"after {at_s:.0f} s the processes were {pids}, at first {first}")
            return
        soaked.at_s.append(at_s)
        for name in PROCESSES:
            soaked.memory[name].append(memory_bytes(pids[name]))
            soaked.handles[name].append(_handles(pids[name]))
        soaked.database_bytes.append(sum(file.stat().st_size for file in _databases(stage.record)))
        await asyncio.sleep(pause_s)


def _handles(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def _databases(record: Path) -> Iterator[Path]:
    return (file for file in record.iterdir() if ".db" in file.name)


async def _look_at_what_is_left(stage: Stage, office: Office, soaked: Soaked) -> None:
    """What the record holds, and what of it the office has."""
    path = stage.record / "plant.db"
    database = Database(path, PLANT, utc_ms=0)
    try:
        with database.reader() as reader:
            n, sizes = 0, [0, 0]
            while chunks := sample_log.read_after(reader, n, _AT_ONCE_BYTES):
                n = chunks[-1][0].last_n
                sizes[0] += sum(len(body) for _, body in chunks)
            entries = journal.read_entries(reader, 0, _ENTRIES_MOST)
            sizes[1] = sum(len(journal.canonical(one)) for one in entries)
            findings = [*journal.verify(reader), *sample_log.verify(reader)]
    finally:
        database.close(_TOLD_WITHIN_S)
    soaked.samples, soaked.journal = n, len(entries)
    soaked.chunk_bytes, soaked.journal_bytes = sizes
    soaked.file_bytes = path.stat().st_size
    soaked.faults += [str(one) for one in findings] + office.faults
    soaked.missing = gaps(office.events) + gaps_between(office.answered)
    soaked.behind = n - last_answered(office.answered)
    soaked.doubles = sum(office.doubles.values())
