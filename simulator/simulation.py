"""A run of the simulated plant: servers, clock page, control socket, and the loop that keeps up with the clock.

Wires the parts together and stops them. What happens to the water is decided
in ``plant`` and below it.
"""

import asyncio
import json
import os
import random
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from simulator.almanac import SECOND_MS, local_time, utc_ms
from simulator.control import ControlSocket
from simulator.devices import Image, behind
from simulator.events import Event
from simulator.figures import FIGURES_FOLDER, Figures
from simulator.modbus_server import Manners, ModbusServer
from simulator.plant import Plant, StandIn, truth
from simulator.plant_clock import FIRST_MS, PlantClock

WAKE_S = 0.02  # real; at 60 plant seconds a second the plant is 1.2 s behind its clock at most
CATCH_UP_S = 0.002  # real, between slices: a request that waits is served, and its sender may send the next
SLICE_MS = 1_000
SLICES_PER_RATE = 60

NETWORK_DELAY_S = (0.002, 0.010)
LINES = (
    Manners(
        name="COM1",
        devices=behind("COM1"),
        rtu=True,
        delay_s=(0.020, 0.120),
        byte_s=11 / 9_600,  # 8E1: start, eight, parity, stop
        one_at_a_time=frozenset({"AN2"}),
    ),
    Manners(
        name="COM2",
        devices=behind("COM2"),
        rtu=True,
        delay_s=(0.010, 0.060),
        byte_s=10 / 19_200,  # 8N1: start, eight, stop
        spoiled=0.0005,
    ),
    Manners(name="PC1", devices=behind("PC1"), rtu=False, delay_s=NETWORK_DELAY_S),
    Manners(name="UV1", devices=behind("UV1"), rtu=False, delay_s=NETWORK_DELAY_S, most_connections=1),
    Manners(name="OZ1", devices=behind("OZ1"), rtu=True, delay_s=NETWORK_DELAY_S),
    Manners(name="RI1", devices=behind("RI1"), rtu=False, delay_s=NETWORK_DELAY_S),
)
FIXED_PORTS = {"COM1": 15011, "COM2": 15012, "PC1": 15020, "UV1": 15021, "OZ1": 15022, "RI1": 15023}


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What a run is asked to be.

    Args:
        event: what goes wrong.
        folder: where clock page, plant.json and control socket go; made when missing.
        rate: plant seconds a second; seed: of all noise.
        fixed_ports: the scenario's ports, else free ones.
        start_ms: local plant time; None begins sixty minutes before the event.
        control: path of the control socket; None is ``control.sock`` in the folder.
        minutes: plant minutes after which the run ends; None runs until it is stopped.
        truth_every_s: plant seconds between truth lines; 0 prints none.
        stand_in: stands in for a gateway, see ``plant.StandIn``.
    """

    event: Event
    folder: Path
    rate: float = 60.0
    seed: int = 1
    fixed_ports: bool = False
    start_ms: int | None = None
    control: Path | None = None
    minutes: float | None = None
    truth_every_s: float = 300.0
    stand_in: bool = False


class Simulation:
    """One run; an asynchronous context manager.

    Args:
        options: what is asked for.
        say: takes each line for the reader.
    """

    def __init__(self, options: Options, *, say: Callable[[str], None] = print) -> None:
        self.options = options
        self.plant = Plant(options.event, seed=options.seed, start_ms=options.start_ms)
        self.ports: dict[str, int] = {}
        self._say = say
        self._stopped = asyncio.Event()
        self._stand_in = StandIn() if options.stand_in else None
        self._truth_due_ms = self.plant.now_ms
        self._figures = Figures(options.folder / FIGURES_FOLDER)
        self._servers = [self._server(manners) for manners in LINES]
        self._control = ControlSocket(options.control or options.folder / "control.sock", self)
        self.clock: PlantClock | None = None
        self._loop_task: asyncio.Task[None] | None = None

    @property
    def page(self) -> Path:
        """The clock page."""
        return self.options.folder / "clock.page"

    @property
    def rate(self) -> float:
        """Plant seconds a second, whether or not the clock is held at the moment."""
        return self.clock.rate if self.clock else self.options.rate

    def set_rate(self, rate: float) -> None:
        """Run at another rate.

        Raises:
            ValueError: not above 0.
        """
        if self.clock is not None:
            self.clock.set_rate(rate)

    def stop(self) -> None:
        """Let ``run`` return."""
        self._stopped.set()

    async def __aenter__(self) -> Self:
        """Open ports, start the clock, write plant.json. After this the plant is ready.

        Raises:
            OSError: a port is taken, or the folder cannot be written.
        """
        self.options.folder.mkdir(parents=True, exist_ok=True)
        try:
            await self._open()
        except BaseException:
            await self._close()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop the plant and close everything."""
        await self._close()

    async def run(self) -> None:
        """Until stopped, or for the minutes asked for; a fault of the plant's loop comes out here."""
        assert self._loop_task is not None  # noqa: S101 - entered before run
        waiting = asyncio.create_task(self._stopped.wait())
        try:
            await asyncio.wait({waiting, self._loop_task}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            waiting.cancel()
        if self._loop_task.done():
            self._loop_task.result()

    # What the servers ask of the plant.

    def image(self, device: str) -> Image:
        """What a device would answer now."""
        return self.plant.image(device)

    def write(self, *, address: int, values: tuple[int, ...]) -> None:
        """A function-16 request to PC1; raises NotWritable."""
        self.plant.write(address=address, values=values)

    def deaf(self, device: str) -> bool:
        """Whether the device says nothing at all."""
        return self.plant.deaf(device)

    def slow_s(self, device: str) -> float:
        """How much longer than usual it takes, plant seconds."""
        return self.plant.slow_s(device)

    def _server(self, manners: Manners) -> ModbusServer:
        draws = random.Random(f"{self.options.seed}:{manners.name}")
        return ModbusServer(manners, self, rate=lambda: self.rate, draws=draws)

    async def _open(self) -> None:
        for server in self._servers:
            name = server.manners.name
            self.ports[name] = await server.start(FIXED_PORTS[name] if self.options.fixed_ports else 0)
        self._figures.write(self.plant)
        await self._control.start()
        self.clock = PlantClock(
            self.page, start_utc_ms=utc_ms(self.plant.now_ms), rate=self.options.rate, say=self._say_now
        )
        self._loop_task = asyncio.create_task(self._keep_up(self.clock))
        self._write_description()

    async def _close(self) -> None:
        if self._loop_task is not None:
            self._loop_task.cancel()
            await asyncio.gather(self._loop_task, return_exceptions=True)
        await self._control.stop()
        for server in self._servers:
            await server.stop()
        if self.clock is not None:
            self.clock.close()
        self._figures.clear()
        self._description.unlink(missing_ok=True)

    @property
    def _description(self) -> Path:
        return self.options.folder / "plant.json"

    def _write_description(self) -> None:
        """Whole or not at all: who waits for the file finds it complete."""
        said = {
            "ports": self.ports,
            "page": str(self.page.resolve()),
            "control": str(self._control.path.resolve()),
            "event": self.options.event.name,
            "start": _local(self.plant.started_ms),
            "strikes": _local(self.plant.strikes_ms),
            "strikes_utc_ms": utc_ms(self.plant.strikes_ms),
            "rate": self.options.rate,
            "seed": self.options.seed,
            "pid": os.getpid(),
        }
        draft = self._description.with_suffix(".draft")
        draft.write_text(json.dumps(said, indent=2) + "\n", encoding="utf-8")
        draft.replace(self._description)

    async def _keep_up(self, clock: PlantClock) -> None:
        """Move the plant on to its clock, a slice at a time, so that requests are served in between."""
        while not self._over():
            clock.watch()
            due_ms = self.plant.started_ms + clock.now_ms() - FIRST_MS
            slice_ms = SLICE_MS * max(1, round(clock.rate / SLICES_PER_RATE))
            self._advance(min(due_ms, self.plant.now_ms + slice_ms))
            behind_ms = due_ms - self.plant.now_ms
            await asyncio.sleep(WAKE_S if behind_ms < self.plant.pace.controller_ms else CATCH_UP_S)

    def _advance(self, to_ms: int) -> None:
        self.plant.advance(to_ms)
        if self._stand_in is not None:
            self._stand_in.act(self.plant)
        while self.plant.notices:
            notice = self.plant.notices.popleft()
            self._say(f"{_local(notice.at_ms)}  {notice.text}")
        self._figures.renew(self.plant)
        every_ms = round(self.options.truth_every_s * SECOND_MS)
        if every_ms and self.plant.now_ms >= self._truth_due_ms:
            self._truth_due_ms = self.plant.now_ms + every_ms
            self._say_now(truth_line(self.plant))

    def _over(self) -> bool:
        minutes = self.options.minutes
        return minutes is not None and self.plant.now_ms - self.plant.started_ms >= minutes * 60 * SECOND_MS

    def _say_now(self, text: str) -> None:
        self._say(f"{_local(self.plant.now_ms)}  {text}")


def truth_line(plant: Plant) -> str:
    """What is true now, in one line."""
    true = truth(plant)
    where = "product" if plant.controller.proven_product else "divert" if plant.controller.proven_divert else "moving"
    return (
        f"true: tap {true['turbidity_tap_ntu']:.2f} NTU, at valve {true['turbidity_valve_ntu']:.2f} NTU"
        f" {true['chlorine_valve_mg_l']:.2f} mg/L, UV {true['uv_dose_mj_cm2']:.0f} mJ/cm2, CT {_contact(true)},"
        f" XV-901 {where}, permit {'yes' if true['permitted'] else 'no'},"
        f" feed {true['feed_m3_h']:.2f} m3/h, buffer {true['buffer_m3']:.1f} m3, emergency tank"
        f" {true['emergency_tank_m3']:.1f} m3, tank {true['tank_m3']:.1f} m3 {true['chlorine_tank_mg_l']:.2f} mg/L;"
        f" into tank {true['into_tank_l']:.0f} L, of it out of limits {true['out_of_limits_into_tank_l']:.1f} L,"
        f" diverted {true['diverted_l']:.0f} L, delivered {true['delivered_l']:.0f} L"
    )


def _contact(true: Mapping[str, object]) -> str:
    contact = true["contact_mg_min_l"]
    return "without flow" if contact is None else f"{contact:.0f} mg.min/L"


def _local(at_ms: int) -> str:
    return local_time(at_ms).strftime("%Y-%m-%d %H:%M:%S")


def unbuffered(text: str) -> None:
    """Print a line at once, also into a pipe."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()
