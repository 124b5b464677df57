"""The control socket of a run: lines of JSON in, lines of JSON out. For tests and the demonstration.

    {"do": "truth"}                                       what is true now
    {"do": "rate", "rate": 1}                             run at another rate
    {"do": "event", "name": "E13", "in_s": 60}            let another script strike
    {"do": "set", "what": "silent", "name": "AN1", "on": true}
    {"do": "stop"}                                        end the run

``set`` takes the words of ``faults.Faults``: those that are sets (``silent``,
``lines``, ``stuck`` ...) with a name and ``on``; those that are mappings
(``forced``, ``loops``, ``slow`` ...) with a name and a ``value``, null takes it
away; ``mains_lost``, ``gas_locked``, ``link_lost`` with ``on``; the numbers
(``feed_m3_h``, ``purity_percent`` ...) with a ``value`` or null. Besides them
``tank_m3``, ``buffer_m3`` with a ``value``, ``restart`` of PC1 and ``reset`` on
it. A line is answered with ``{"ok": true, ...}`` or ``{"ok": false, "error": ...}``.
"""

import asyncio
import json
import stat
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol, get_args

from gateway.configuration.schema import ByteOrder
from simulator.devices import DEVICES, LINES
from simulator.events import EVENTS
from simulator.faults import Faults
from simulator.plant import Plant, truth, with_levels

LINE_LIMIT_BYTES = 65_536
HUNG_UP_WITHIN_S = 2.0
SETS = frozenset({"silent", "lines", "held", "calibrating", "blocked", "stuck", "soaked", "clogged", "manual"})
MAPPINGS = frozenset({"forced", "offsets", "loops", "slow"})
ORDERS = frozenset({"byte_orders"})
FLAGS = frozenset({"mains_lost", "gas_locked", "link_lost"})
NUMBERS = frozenset({"feed_m3_h", "residual_mg_l", "purity_percent"})
NAMES = {
    **dict.fromkeys(("silent", "held", "calibrating", "manual", "slow", "byte_orders"), tuple(DEVICES)),
    "lines": LINES,
}
"""What may be named, where that is known."""
LEVELS = {"tank_m3": "tank_m3", "buffer_m3": "eq_m3"}
KNOWN = sorted({*SETS, *MAPPINGS, *ORDERS, *FLAGS, *NUMBERS, *LEVELS, "network_ahead_s", "restart", "reset"})


class BadOrder(Exception):  # noqa: N818 - named for what is the case
    """A line that asks for something that does not exist."""


class Controlled(Protocol):
    """What the socket may do to a run."""

    plant: Plant

    def set_rate(self, rate: float) -> None:
        """Run at another rate; raises ValueError."""

    def stop(self) -> None:
        """End the run."""


class ControlSocket:
    """The socket at a path, readable by its owner alone.

    Args:
        path: of the socket; one left over from an earlier run is replaced.
        run: what it controls.
    """

    def __init__(self, path: Path, run: Controlled) -> None:
        self.path = path
        self._run = run
        self._server: asyncio.Server | None = None
        self._conversations: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def start(self) -> None:
        """Listen.

        Raises:
            OSError: the path is too long or cannot be written.
        """
        if self.path.is_socket():
            self.path.unlink()
        self._server = await asyncio.start_unix_server(self._converse, self.path, limit=LINE_LIMIT_BYTES)
        self.path.chmod(stat.S_IRUSR | stat.S_IWUSR)

    async def stop(self) -> None:
        """Close it and take it away."""
        if self._server is None:
            return
        self._server.close()
        for writer in self._conversations.values():
            writer.close()
        if self._conversations:  # each hears that its peer is gone, and ends; cancelled ones would be told as faults
            await asyncio.wait(self._conversations, timeout=HUNG_UP_WITHIN_S)
        await self._server.wait_closed()
        self.path.unlink(missing_ok=True)

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        conversation: asyncio.Task[None] | None = asyncio.current_task()
        assert conversation is not None  # noqa: S101 - a coroutine runs in a task
        self._conversations[conversation] = writer
        try:
            while line := await reader.readline():
                writer.write(json.dumps(self._answer(line)).encode() + b"\n")
                await writer.drain()
        except (ConnectionError, ValueError):
            pass  # gone, or a line without an end: hang up
        finally:
            del self._conversations[conversation]
            writer.close()

    def _answer(self, line: bytes) -> dict[str, object]:
        try:
            order = json.loads(line)
            return {"ok": True, **obey(order, self._run)}
        except (BadOrder, ValueError, TypeError) as fault:
            return {"ok": False, "error": str(fault)}


def obey(order: Any, run: Controlled) -> Mapping[str, object]:
    """Carry out one order.

    Args:
        order: the decoded line.
        run: what it is about.

    Returns:
        what to say besides "ok".

    Raises:
        BadOrder: no such order, name or key.
        ValueError, TypeError: a value that makes no sense.
    """
    if not isinstance(order, dict):
        raise BadOrder('an order is an object such as {"do": "truth"}')
    match order.get("do"):
        case "truth":
            return truth(run.plant)
        case "rate":
            run.set_rate(float(order.get("rate", 0)))
        case "event":
            _strike(order, run.plant)
        case "set":
            _set(order, run.plant)
        case "stop":
            run.stop()
        case other:
            raise BadOrder(f"cannot do {other!r}; truth, rate, event, set, stop are known")
    return {}


def _strike(order: Mapping[str, Any], plant: Plant) -> None:
    event = EVENTS.get(str(order.get("name")))
    if event is None:
        raise BadOrder(f"no event {order.get('name')!r}; there are {', '.join(EVENTS)}")
    plant.strike(event, in_s=float(order.get("in_s", 0)))


def _set(order: Mapping[str, Any], plant: Plant) -> None:
    what = order.get("what")
    if what not in KNOWN:
        raise BadOrder(f"cannot set {what!r}; {', '.join(KNOWN)} are known")
    if what == "restart":
        plant.restart_controller()
    elif what == "reset":
        plant.reset_controller()
    elif what in LEVELS:
        plant.state = with_levels(plant, **{LEVELS[what]: float(order["value"])})
    else:
        plant.added = changed(plant.added, order)


def changed(faults: Faults, order: Mapping[str, Any]) -> Faults:
    """The faults with one thing set or taken away.

    Raises:
        BadOrder: a device or key that does not exist, or a name that is missing.
    """
    what, value = str(order["what"]), order.get("value")
    if what in FLAGS:
        return _replaced(faults, what, bool(order.get("on", True)))
    if what == "network_ahead_s":
        return replace(faults, network_ahead_s=float(value or 0))
    if what in NUMBERS:
        return _replaced(faults, what, None if value is None else float(value))
    name = _name(what, order.get("name"))
    if what in SETS:
        before: frozenset[str] = getattr(faults, what)
        return _replaced(faults, what, before | {name} if order.get("on", True) else before - {name})
    others = {key: one for key, one in getattr(faults, what).items() if key != name}
    return _replaced(faults, what, others if value is None else {**others, name: _value(what, value)})


def _name(what: str, name: Any) -> str:
    known = NAMES.get(what)
    if not isinstance(name, str) or (known is not None and name not in known):
        kind = "lines" if known == LINES else "devices"
        raise BadOrder(f"{what} needs a name, got {name!r}; {kind} are {', '.join(known or DEVICES)}")
    return name


def _value(what: str, value: Any) -> float | str:
    if what not in ORDERS:
        return float(value)
    if value not in get_args(ByteOrder):
        raise BadOrder(f"{what} cannot be {value!r}; {', '.join(get_args(ByteOrder))} are known")
    return str(value)


def _replaced(faults: Faults, key: str, value: Any) -> Faults:
    """``replace`` with a key known only now; the keys are those of ``Faults``."""
    changes: dict[str, Any] = {key: value}
    return replace(faults, **changes)
