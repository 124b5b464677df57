"""A whole site on the loopback: plant, gateway and control, each a process of its own. For the demo and the tests.

Starts and stops; decides nothing. Every process gets a session of its own, so
that an interrupt at the terminal reaches the one who started the stage alone,
who then stops the parts in order.
"""

import asyncio
import contextlib
import json
import os
import signal
import sys
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Self

from gateway.local.client import FieldClient, FieldError
from simulator.events import EVENTS, too_fast
from simulator.relay import Relay
from simulator.site import Office, write_site
from simulator.storage import field_process_of, let_write

PYTHON = sys.executable
READY_WITHIN_S = 20.0
STOPPED_WITHIN_S = 40.0
_LOOK_AGAIN_S = 0.05
_SOCKET_PATH_BYTES = 107  # of the operating system, for the local socket


class StageError(Exception):
    """A part did not come up, or did not stop; the text says which, and where its log is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Script:
    """What is to be played.

    Args:
        event: of ``simulator.events``.
        rate: plant seconds a second.
        seed: of the plant's noise.
        start: local plant time; empty begins sixty minutes before the event.
    """

    event: str
    rate: float = 60.0
    seed: int = 1
    start: str = ""


class Control:
    """The plant's control socket: what is true, and what is to go wrong."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._turn = asyncio.Lock()

    async def ask(self, **order: Any) -> dict[str, Any]:
        """Send one order and return the answer.

        Raises:
            StageError: the plant refuses it, or is gone.
        """
        async with self._turn:
            self._writer.write(json.dumps(order).encode() + b"\n")
            line = await asyncio.wait_for(self._reader.readline(), READY_WITHIN_S)
        answer: dict[str, Any] = json.loads(line) if line else {"ok": False, "error": "the plant is gone"}
        if not answer.pop("ok"):
            raise StageError(f"{order}: {answer.get('error')}")
        return answer

    async def truth(self) -> dict[str, Any]:
        """Everything that is true now."""
        return await self.ask(do="truth")

    def close(self) -> None:
        """Hang up."""
        self._writer.close()


class Stage:
    """Plant and gateway of one run. Use it as an async context manager.

    Args:
        folder: of this run; made when missing. ``site``, ``plant`` and the logs lie in it.
        script: what is played.
        office: where the uplink goes.
    """

    control: Control

    def __init__(self, folder: Path, script: Script, office: Office) -> None:
        self.folder = folder.resolve()
        self.script = script
        self.office = office
        self.site = self.folder / "site"
        self.record = self.site / "record"
        self.gateway: asyncio.subprocess.Process | None = None
        self._plant: asyncio.subprocess.Process | None = None
        self._link = Relay(office.port) if EVENTS[script.event].cuts_link else None
        self._watching_link: asyncio.Task[None] | None = None
        self._watching_storage: asyncio.Task[None] | None = None

    @property
    def page(self) -> Path:
        """The plant's clock page."""
        return Path(self._description()["page"])

    @property
    def socket(self) -> Path:
        """The gateway's local socket."""
        return self.record / "field.sock"

    async def __aenter__(self) -> Self:
        if len(os.fsencode(self.socket)) > _SOCKET_PATH_BYTES:
            raise StageError(f"{self.socket} is too long for a socket's path ({_SOCKET_PATH_BYTES} bytes)")
        if fault := too_fast(EVENTS[self.script.event], self.script.rate):
            raise StageError(fault)
        self.folder.mkdir(parents=True, exist_ok=True)
        try:
            await self._start_plant()
            office = await self._reached()
            ports = self._description()["ports"]
            write_site(self.site, ports=ports, page=self.page, uid=os.getuid(), office=office)
        except BaseException:
            await self.stop()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    async def _start_plant(self) -> None:
        folder = self.folder / "plant"
        folder.mkdir(exist_ok=True)
        self._ready_file.unlink(missing_ok=True)
        script = self.script
        arguments = ["--event", script.event, "--rate", "1", "--seed", str(script.seed)]
        arguments += ["--ports", "free", "--folder", str(folder), "--start", script.start]
        self._plant = await self._launch("plant", "-m", "simulator", *arguments[: None if script.start else -2])
        await self._until(self._ready_file.exists, self._plant, "plant")
        socket = self._description()["control"]
        self.control = Control(*await asyncio.open_unix_connection(socket))

    async def _reached(self) -> Office:
        """The office as the gateway reaches it: through a link that can be cut, where the script cuts it."""
        if self._link is None:
            return self.office
        await self._link.start()
        self._watching_link = asyncio.create_task(self._follow_link(self._link))
        return replace(self.office, port=self._link.port)

    async def _follow_link(self, link: Relay) -> None:
        """Cut it when the plant's script says that it is lost."""
        while True:
            link.switch(is_open=not (await self.control.truth())["link_lost"])
            await asyncio.sleep(_LOOK_AGAIN_S)

    @property
    def _ready_file(self) -> Path:
        return self.folder / "plant" / "plant.json"

    def _description(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self._ready_file.read_text(encoding="utf-8"))
        return found

    async def start_gateway(self, first: Callable[[FieldClient], Awaitable[object]] | None = None) -> None:
        """Start the gateway, supervisor and all; once its field process answers, the plant goes to the script's rate.

        Args:
            first: what a person does before that, such as commissioning the outputs.

        Raises:
            StageError: it did not come up.
        """
        self.gateway = await self._launch("gateway", "-m", "gateway", "run", str(self.site))
        async with await self.field("stage") as field:
            if first is not None:
                await first(field)
            await self.control.ask(do="rate", rate=self.script.rate)
        if EVENTS[self.script.event].fails_storage_s and self._watching_storage is None:
            self._watching_storage = asyncio.create_task(self._follow_storage())

    async def _follow_storage(self) -> None:
        """Let the field process write nothing while the script says so, whichever process it is by then."""
        for_s, since_s = EVENTS[self.script.event].fails_storage_s, -1.0
        while since_s < for_s:
            since_s = (await self.control.truth())["since_event_s"]
            process = field_process_of(self.gateway.pid) if self.gateway is not None else None
            if since_s >= 0 and process is not None:
                let_write(process, allowed=since_s >= for_s)
            await asyncio.sleep(_LOOK_AGAIN_S)

    async def _launch(self, name: str, *arguments: str) -> asyncio.subprocess.Process:
        with (self.folder / f"{name}.log").open("ab") as log:
            return await asyncio.create_subprocess_exec(
                PYTHON, *arguments, stdin=asyncio.subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True
            )

    async def _until(self, holds: Any, process: asyncio.subprocess.Process, name: str) -> None:
        try:
            async with asyncio.timeout(READY_WITHIN_S):
                while not holds():
                    if process.returncode is not None:
                        raise StageError(f"the {name} ended with {process.returncode}; see {self.folder / name}.log")
                    await asyncio.sleep(_LOOK_AGAIN_S)
        except TimeoutError:
            raise StageError(f"the {name} did not come up; see {self.folder / name}.log") from None

    async def field(self, name: str) -> FieldClient:
        """A connection to the field process, waited for.

        Raises:
            StageError: it did not come up.
        """
        reason = ""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(READY_WITHIN_S):
                while True:
                    try:
                        return await FieldClient.connect(self.socket, name)
                    except FieldError as away:
                        reason = str(away)
                        await asyncio.sleep(_LOOK_AGAIN_S)
        raise StageError(f"the gateway did not come up: {reason}; see {self.folder / 'gateway.log'}")

    async def stop_gateway(self) -> int:
        """Stop it in order; it withdraws the permission first. Returns its exit code.

        Raises:
            StageError: it had to be killed.
        """
        return await self._stopped(self.gateway, signal.SIGINT, "gateway")

    async def stop(self) -> None:
        """Stop what runs: the gateway first, then the plant."""
        try:
            await self.stop_gateway()
        finally:
            await _ended(self._watching_link, self._watching_storage)
            if self._link is not None:
                await self._link.stop()
            if hasattr(self, "control"):
                self.control.close()
            await self._stopped(self._plant, signal.SIGTERM, "plant")

    async def _stopped(self, process: asyncio.subprocess.Process | None, number: int, name: str) -> int:
        if process is None:
            return 0
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.send_signal(number)
            try:
                await asyncio.wait_for(process.wait(), STOPPED_WITHIN_S)
            except TimeoutError:
                os.killpg(process.pid, signal.SIGKILL)
                await process.wait()
                raise StageError(f"the {name} had to be killed; see {self.folder / name}.log") from None
        return process.returncode or 0


async def _ended(*tasks: asyncio.Task[None] | None) -> None:
    running = [task for task in tasks if task is not None]
    for task in running:
        task.cancel()
    await asyncio.gather(*running, return_exceptions=True)
