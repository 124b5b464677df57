"""Where to ask: a device named on the command line as the keys of a connection. Pure.

Decides how a target is read and which time-outs it gets when nobody says
anything. Opens nothing.
"""

from dataclasses import dataclass
from typing import Literal

from pydantic import ValidationError

from gateway.configuration.schema import NetworkConnection, SerialConnection

Keys = NetworkConnection | SerialConnection
Framing = Literal["tcp", "rtu_over_tcp"]

_BITS_A_BYTE = 11  # on a serial line, with start, parity and stop
_USUAL_BAUD_RATE = 9_600


@dataclass(frozen=True, slots=True)
class Patience:
    """How long a reply is waited for when nobody says it: for the device, and for the bytes on a serial line."""

    device_s: float
    wire_bytes: int


ONE_REGISTER = Patience(0.5, 15)
LONG_BLOCKS = Patience(1.0, 263)


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """What may be said about a target; None where nothing was said.

    Args:
        framing: of a TCP connection.
        baud_rate: of a serial line.
        parity: of a serial line.
        stop_bits: of a serial line.
        reply_timeout_s: seconds to wait for a reply.
        pause_s: seconds between two requests.
    """

    framing: Framing | None = None
    baud_rate: int | None = None
    parity: str | None = None
    stop_bits: int | None = None
    reply_timeout_s: float | None = None
    pause_s: float | None = None


def connection_of(target: str, manner: Manner, patience: Patience) -> Keys:
    """The connection that a target means.

    Args:
        target: HOST:PORT, or the path of a serial port.
        manner: what else was said.
        patience: for the reply time-out where none was said.

    Raises:
        ValueError: not a target, or something was said that this kind of target does not have.
    """
    try:
        return (_serial if target.startswith("/") else _network)(target, manner, patience)
    except ValidationError as fault:
        raise ValueError(_in_words(fault)) from fault


def _serial(path: str, manner: Manner, patience: Patience) -> SerialConnection:
    if manner.framing is not None:
        raise ValueError(f"--framing {manner.framing}: a serial port has RTU frames; leave --framing out")
    said = {"baud_rate": manner.baud_rate, "parity": manner.parity, "stop_bits": manner.stop_bits}
    keys = {name: value for name, value in said.items() if value is not None}
    on_the_wire_s = patience.wire_bytes * _BITS_A_BYTE / (manner.baud_rate or _USUAL_BAUD_RATE)
    waits = _waits(manner, round(patience.device_s + on_the_wire_s, 2))
    return SerialConnection.model_validate({"transport": "rtu", "device": path, **keys, **waits})


def _network(target: str, manner: Manner, patience: Patience) -> NetworkConnection:
    for option, value in (
        ("--baud-rate", manner.baud_rate),
        ("--parity", manner.parity),
        ("--stop-bits", manner.stop_bits),
    ):
        if value is not None:
            raise ValueError(f"{option} {value}: {target} is no serial port (a path such as /dev/ttyS0); leave it out")
    host, colon, port = target.rpartition(":")
    if not (colon and host.strip("[]") and port.isascii() and port.isdecimal()):
        raise ValueError(
            f"{target!r} is no target; allowed are HOST:PORT, such as 192.168.1.20:502, and the path of a serial port"
        )
    waits = _waits(manner, patience.device_s)
    transport = manner.framing or "tcp"
    return NetworkConnection.model_validate(
        {"transport": transport, "host": host.strip("[]"), "port": int(port), **waits}
    )


def _waits(manner: Manner, reply_timeout_s: float) -> dict[str, float]:
    said = manner.reply_timeout_s
    return {"reply_timeout_s": reply_timeout_s if said is None else said, "pause_s": manner.pause_s or 0.0}


def _in_words(fault: ValidationError) -> str:
    first = fault.errors()[0]
    return f"{'.'.join(str(part) for part in first['loc'])} is {first['input']!r}: {first['msg'].lower()}"


def in_words(keys: Keys) -> str:
    """A connection in a few words."""
    if isinstance(keys, SerialConnection):
        return f"{keys.device} (RTU, {keys.baud_rate} baud, parity {keys.parity}, {keys.stop_bits} stop bit)"
    framing = "Modbus TCP" if keys.transport == "tcp" else "RTU frames over TCP"
    return f"{keys.host}:{keys.port} ({framing})"


def shared(keys: Keys) -> bool:
    """Whether several units are behind it with nothing to tell a late reply from the next."""
    return keys.transport != "tcp"


def longest_wait_s(keys: Keys) -> float:
    """Seconds one request without a reply takes."""
    return keys.reply_timeout_s + keys.pause_s + (keys.quiet_after_timeout_s if shared(keys) else 0.0)
