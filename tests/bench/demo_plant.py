"""The demo site at its own pace: the simulated plant beside it, the gateway on the machine's clock.

As at a plant, and not as in a demonstration: no clock page, because looking at
one costs the gateway time. The outputs are commissioned in the record before
the start.
"""

import asyncio
import contextlib
import json
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from gateway.configuration.plant import load_site
from simulator.figures import FIGURES_FOLDER
from simulator.site import PLACE, Office, write_site
from tests.bench import made_record
from tests.bench.processes import python_process, wait_until

_SOMEBODY = 1000  # a local user; nobody asks anything in these runs
_CONTROLLER = "PC1"
_FUNCTION, _WRITE = 7, 16  # place of the function code in a Modbus TCP request
_PERMIT = slice(15, 17)  # second register of the block: the permission
_WITHDRAWN = b"\0\0"


@dataclass
class Writes:
    """Monotonic seconds of the writes that withdraw the permission, as they pass."""

    safe_s: list[float] = field(default_factory=list)

    def look(self, request: bytes) -> None:
        """One request to the controller."""
        if len(request) >= _PERMIT.stop and request[_FUNCTION] == _WRITE and request[_PERMIT] == _WITHDRAWN:
            self.safe_s.append(time.monotonic())


@contextlib.contextmanager
def demo_site(folder: Path, office_port: int) -> Iterator[tuple[Path, Writes]]:
    """The plant runs, and a site folder for it is written; the gateway is not started."""
    plant, site, writes = folder / "plant", folder / "site", Writes()
    arguments = ("--event", "calm", "--rate", "1", "--ports", "free", "--folder", str(plant), "--truth-every", "0")
    with python_process(folder / "plant.log", "-m", "simulator", *arguments):
        wait_until((plant / "plant.json").exists, "the plant")
        ports = json.loads((plant / "plant.json").read_text(encoding="utf-8"))["ports"]
        with _witness(ports[_CONTROLLER], writes) as port:
            office = Office(port=office_port)
            write_site(site, ports={**ports, _CONTROLLER: port}, page=None, uid=_SOMEBODY, office=office)
            _take_figures_from(site / PLACE, plant / FIGURES_FOLDER)
            made_record.fill(load_site(site), site / "record" / "plant.db")
            yield site, writes


def _take_figures_from(place: Path, folder: Path) -> None:
    """The machine's figures lie beside the plant."""
    heading, _, content = place.read_text(encoding="utf-8").partition("\n")
    keys = json.loads(content)
    keys["place"]["figures_folder"] = str(folder.resolve())
    place.write_text(f"{heading}\n{json.dumps(keys)}\n", encoding="utf-8")


@contextlib.contextmanager
def _witness(target_port: int, writes: Writes) -> Iterator[int]:
    """A port that leads to the controller; what is written to it is looked at in passing."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()

    async def converse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            there_reader, there_writer = await asyncio.open_connection("127.0.0.1", target_port)
            await asyncio.gather(pass_on(reader, there_writer, looked_at=True), pass_on(there_reader, writer))

    async def pass_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, looked_at: bool = False) -> None:
        with contextlib.suppress(OSError), contextlib.closing(writer):
            while data := await reader.read(4_096):
                if looked_at:
                    writes.look(data)
                writer.write(data)

    async def listen() -> asyncio.Server:
        return await asyncio.start_server(converse, "127.0.0.1", 0)

    try:
        server = asyncio.run_coroutine_threadsafe(listen(), loop).result(10.0)
        yield int(server.sockets[0].getsockname()[1])
    finally:
        asyncio.run_coroutine_threadsafe(_end(server), loop).result(10.0)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10.0)
        loop.close()


async def _end(server: asyncio.Server) -> None:
    """Close the port and see every conversation end."""
    server.close()
    others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)
