"""The site of rows d and f: a hundred readings every 5 s, thirty alarms, and eight permits with an interlock each.

Invented for the bench. Four interlocks act at once, four after one scan
period; none is latched, so that each gives its permit back as soon as its
cause is gone and that is on record.
"""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from gateway.configuration.plant import LoadedSite, load_site
from tests.bench.modbus_peer import BLOCK_ADDRESS, BULK, CONTROLLER, FIRST_CAUSE, GIVEN, WITHDRAWN

SCAN_S = 1.0  # as at the demo site
DELAYS_S = (0.0, 0.0, 0.0, 0.0, SCAN_S, SCAN_S, SCAN_S, SCAN_S)
CHANNELS = len(DELAYS_S)
CONNECTIONS = ("PC", "BULK", *(f"LINE-{number}" for number in range(CHANNELS)))
CAUSE_POLL_S = 0.5
_TAGS, _ALARMS = 100, 30
_LIMIT = 50


def moving(times: int = 1) -> tuple[str, ...]:
    """Names of the readings of a site so many times as large."""
    return tuple(f"PV-{number:03}" for number in range(times * _TAGS))


MOVING = moving()


def write_site(
    folder: Path, *, ports: Sequence[int], uplink: dict[str, Any] | None = None, times: int = 1
) -> LoadedSite:
    """Write the site into a folder and load it.

    Args:
        folder: made when missing.
        ports: of the device, one for each of ``CONNECTIONS``.
        uplink: section of that name; none when nothing is sent.
        times: how many times the readings and alarms; the permits stay as they are.
    """
    folder.mkdir(exist_ok=True)
    sections = {**_about(), **_points(times), **_protection(times), "uplink": uplink or {}}
    sections["connections"] = {name: _connection(port) for name, port in zip(CONNECTIONS, ports, strict=True)}
    (folder / "site.yaml").write_text(json.dumps(sections, indent=1), encoding="utf-8")  # YAML includes JSON
    return load_site(folder)


def _about() -> dict[str, Any]:
    return {
        "site": {
            "id": "bench",
            "name": "Bench",
            "time_zone": "UTC",
            "scan_period_s": SCAN_S,
            "commit_interval_s": 10,
        },
        "roles": {"OPERATOR": "lets the gateway write"},
        "people": {"SOMEBODY": {"role": "OPERATOR", "local_users": [1000]}},
        "place": {"storage_folder": "record", "socket": "record/field.sock"},
    }


def _connection(port: int) -> dict[str, Any]:
    return {"transport": "tcp", "host": "127.0.0.1", "port": port, "connect_timeout_s": 3, "reply_timeout_s": 0.5}


def _points(times: int) -> dict[str, Any]:
    devices = {
        "PC": _device("controller", "PC", CONTROLLER),
        "BULK": _device("instruments", "BULK", BULK),
        **{f"D-{n}": _device(f"cause {n}", f"LINE-{n}", FIRST_CAUSE + n) for n in range(CHANNELS)},
    }
    block = ["HB", *(f"PERMIT-{n}" for n in range(CHANNELS))]
    tags = {
        **{name: _tag("PC", BLOCK_ADDRESS + at, "uint16", 5.0) for at, name in enumerate(block)},
        **{name: _tag("BULK", 2 * at, "float32", 5.0) for at, name in enumerate(moving(times))},
        **{f"CAUSE-{n}": _tag(f"D-{n}", 0, "uint16", CAUSE_POLL_S) for n in range(CHANNELS)},
    }
    return {"devices": devices, "tags": tags}


def _device(service: str, connection: str, unit: int) -> dict[str, Any]:
    return {"service": service, "connection": connection, "unit_id": unit}


def _tag(device: str, address: int, kind: str, poll_s: float) -> dict[str, Any]:
    return {
        "service": "a reading of the bench",
        "device": device,
        "table": "holding",
        "address": address,
        "type": kind,
        "poll_interval_s": poll_s,
    }


def _protection(times: int) -> dict[str, Any]:
    outputs = {
        f"permit-{n}": {
            "service": f"permit {n}",
            "register": f"PERMIT-{n}",
            "levels": {"given": GIVEN, "withdrawn": WITHDRAWN},
            "safe_level": "withdrawn",
            "normal_level": "given",
            "permit": True,
            "return_after_s": 0.0,
            "return_within_s": 3_600.0,
        }
        for n in range(CHANNELS)
    }
    return {
        "outputs": outputs,
        "releases": {name: {"clear_s": 0.0, "roles": ["OPERATOR"]} for name in outputs},
        "output_block": {
            "connection": "PC",
            "device": "PC",
            "heartbeat": "HB",
            "registers": ["HB", *(f"PERMIT-{n}" for n in range(CHANNELS))],
            "period_s": 5.0,
            "commissioning_roles": ["OPERATOR"],
        },
        "interlocks": {f"I-{n}": _interlock(n, delay_s) for n, delay_s in enumerate(DELAYS_S)},
        "alarms": {f"HIGH-{n}": _alarm(moving(times)[n]) for n in range(times * _ALARMS)},
    }


def _interlock(number: int, delay_s: float) -> dict[str, Any]:
    return {
        "service": f"cause {number}",
        "causes": [
            {
                "inputs": [{"high": {"tag": f"CAUSE-{number}", "limit": _LIMIT, "deadband": 5}}],
                "trip_delay_s": delay_s,
                "bad_trip_delay_s": 60.0,
            }
        ],
        "effects": {f"permit-{number}": "withdrawn"},
        "latched": False,
        "returns_because": "an interlock of the bench, in front of no water",
        "restore_delay_s": 0.0,
    }


def _alarm(tag: str) -> dict[str, Any]:
    return {
        "condition": {"high": {"tag": tag, "limit": 90, "deadband": 1}},
        "priority": "P3",
        "says": f"{tag} high",
        "cause": "none: an alarm of the bench",
        "consequence": "none: nothing depends on it",
        "action": "nothing has to be done",
        "respond_within_min": 60,
    }


def to_broker(port: int) -> dict[str, Any]:
    """The section ``uplink`` of a site whose office is a broker on the loopback."""
    return {"mqtt": {"host": "127.0.0.1", "port": port, "client_id": "bench", "history_interval_s": 1.0}}


def to_line_server(url: str) -> dict[str, Any]:
    """The section ``uplink`` of a site that feeds a server for line protocol, and trusts its word."""
    return {"influx": {"url": url, "bucket": "plant", "interval_s": 1.0, "read_back": None}}
