"""The whole field process at a controller of another make that notes every request: what arrives while it observes."""

import asyncio
import contextlib
import os
import socket
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from pyModbusTCP.server import DataBank, ModbusServer

from gateway.assembly.field_process import field_parts
from gateway.configuration.plant import load_site
from gateway.field.clock import SystemClock
from gateway.field.site import Parts, run
from gateway.local.client import FieldClient
from gateway.local.messages import Answered, Ask
from tests.field.fieldbench import WAIT_S, until

PERMIT = 42_405
READS = {1, 2, 3, 4}
WRITE_MANY = 16


class Noting(ModbusServer):  # type: ignore[misc]  # the library has no types
    """A pyModbusTCP server that counts the function codes it is asked for, whatever it makes of them."""

    def __init__(self) -> None:
        with socket.create_server(("127.0.0.1", 0)) as finder:
            port = finder.getsockname()[1]
        bank = DataBank()
        bank.set_holding_registers(320, [700, PERMIT, 0, 0])
        super().__init__(host="127.0.0.1", port=port, no_block=True, data_bank=bank)
        self.functions: Counter[int] = Counter()

    def _engine(self, session_data: Any) -> None:
        """Called by the library with every request."""
        self.functions[session_data.request.pdu.func_code] += 1
        super()._engine(session_data)

    def registers(self) -> list[int]:
        found: list[int] = self.data_bank.get_holding_registers(320, 4)
        return found


@pytest.fixture
def controller() -> Iterator[Noting]:
    server = Noting()
    server.start()
    yield server
    server.stop()


def site_at(folder: Path, port: int, *, withdrawn: int = 0) -> Path:
    """A site of one controller: a position, a heartbeat and one permission."""
    register = {"device": "PC1", "table": "holding", "type": "uint16", "service": "register", "poll_interval_s": 0.25}
    site = {
        "site": {
            "id": "bench",
            "name": "Bench",
            "time_zone": "UTC",
            "scan_period_s": 0.1,
            "commit_interval_s": 1,
        },
        "place": {"simulated_clock": "clock"},  # so that root may be a person; the clock itself is a real one here
        "roles": {"INTEGRATOR": "puts it into service", "READER": "reads"},
        "people": {"ANNA": {"role": "INTEGRATOR", "local_users": [os.getuid()]}},
        "connections": {"PC1": {"transport": "tcp", "host": "127.0.0.1", "port": port}},
        "devices": {"PC1": {"service": "controller", "connection": "PC1", "unit_id": 1}},
        "tags": {
            "ZSC": {**register, "table": "discrete", "type": "bool", "address": 3},
            "GW-HB": {**register, "address": 320},
            "GW-PERMIT": {**register, "address": 321},
        },
        "outputs": {
            "product": {
                "service": "product water",
                "register": "GW-PERMIT",
                "levels": {"permitted": PERMIT, "withdrawn": withdrawn},
                "safe_level": "withdrawn",
                "normal_level": "permitted",
            }
        },
        "output_block": {
            "connection": "PC1",
            "device": "PC1",
            "heartbeat": "GW-HB",
            "registers": ["GW-HB", "GW-PERMIT"],
            "period_s": 0.5,
            "commissioning_roles": ["INTEGRATOR"],
        },
        "interlocks": {
            "I-1": {
                "service": "position not known",
                "causes": [{"inputs": [{"bad_quality": {"tag": "ZSC"}}], "trip_delay_s": 5}],
                "effects": {"product": "withdrawn"},
            }
        },
        "releases": {"product": {"clear_s": 0, "roles": ["INTEGRATOR"]}},
    }
    folder.mkdir(exist_ok=True)
    (folder / "site.yaml").write_text(yaml.safe_dump(site), encoding="utf-8")
    return folder


@contextlib.asynccontextmanager
async def running(folder: Path) -> AsyncIterator[tuple[Parts, FieldClient]]:
    """The field process of a site, in this loop, in real time."""
    loaded = load_site(folder)
    parts, stopped, ready = field_parts(loaded, SystemClock()), asyncio.Event(), asyncio.Event()
    work = asyncio.create_task(run(parts, stopped, ready=ready.set))
    try:
        await asyncio.wait_for(ready.wait(), WAIT_S)
        async with await FieldClient.connect(loaded.resolve(loaded.site.place.socket), "test") as field:
            yield parts, field
    finally:
        stopped.set()
        assert await asyncio.wait_for(work, WAIT_S)


async def ask(field: FieldClient, action: str, **fields: Any) -> Answered:
    return await field.ask(Ask(id=f"{action}-{os.urandom(4).hex()}", action=action, reason="test", **fields))


def enough(controller: Noting) -> Callable[[], bool]:
    """Whether the controller has been read often enough from now on for several periods to have passed."""
    begun = controller.functions[3]
    return lambda: controller.functions[3] >= begun + 8


def test_a_site_that_nobody_has_commissioned_sends_reads_and_nothing_else(tmp_path: Path, controller: Noting) -> None:
    async def scenario() -> None:
        site = site_at(tmp_path / "site", controller.port)
        for _ in range(2):  # a first start and a second one
            async with running(site) as (_, field):
                await until(enough(controller))
                status = await field.status()
                assert status.observing
                assert any("nothing is written until" in note for note in status.notes)
                assert any(f"GW-PERMIT {PERMIT}" in note for note in status.notes)
                assert (await ask(field, "release", subject="product")).reason == "observing"
        assert controller.functions.keys() <= READS
        assert controller.functions.keys() >= {2, 3}
        assert controller.registers() == [700, PERMIT, 0, 0]

    asyncio.run(scenario())


def test_commissioned_it_writes_after_a_restart_too_and_observing_again_it_does_not(
    tmp_path: Path, controller: Noting
) -> None:
    async def scenario() -> None:
        site = site_at(tmp_path / "site", controller.port)
        async with running(site) as (_, field):
            await until(enough(controller))
            assert WRITE_MANY not in controller.functions
            assert (await ask(field, "commission")).granted
            await until(lambda: controller.functions[WRITE_MANY] >= 3)
            assert controller.registers()[1] == 0
            status = await field.status()
            assert not status.observing
            assert any("commissioned by ANNA" in note and ": test" in note for note in status.notes)
        written = controller.functions[WRITE_MANY]
        async with running(site) as (_, field):
            await until(lambda: controller.functions[WRITE_MANY] >= written + 3)
            assert (await ask(field, "decommission")).granted
            await until(enough(controller))
            written = controller.functions[WRITE_MANY]
            await until(enough(controller))
        async with running(site):
            await until(enough(controller))
        assert controller.functions[WRITE_MANY] == written
        assert controller.functions.keys() <= READS | {WRITE_MANY}

    asyncio.run(scenario())


def test_what_was_commissioned_lapses_with_another_code_in_the_configuration(
    tmp_path: Path, controller: Noting
) -> None:
    async def scenario() -> None:
        folder = tmp_path / "site"
        async with running(site_at(folder, controller.port)) as (_, field):
            assert (await ask(field, "commission")).granted
            await until(lambda: controller.functions[WRITE_MANY] >= 2)
        written = controller.functions[WRITE_MANY]
        async with running(site_at(folder, controller.port, withdrawn=7)) as (_, field):
            await until(enough(controller))
            assert (await field.status()).observing
            kinds = [one.kind for one in await field.newest_entries(20)]
            assert "commissioning_lapsed" in kinds
        assert controller.functions[WRITE_MANY] == written

    asyncio.run(scenario())
