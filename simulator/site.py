"""The demo site's folder for one run: a copy of config/marrowfell with a place.yaml of its own.

Everything that belongs to the place it runs is written here: ports, clock
page, the local user, the office's address. The rest of the site is copied as
it is, so that what runs in a demo or a test is what stands in config/.
"""

import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from simulator.figures import FIGURES_FOLDER

DEMO_SITE = Path(__file__).resolve().parent.parent / "config" / "marrowfell"
PLACE = "place.yaml"
Keys = Mapping[str, str | float | bool]
SERIAL: Keys = {"transport": "rtu_over_tcp", "quiet_after_timeout_s": 0.3, "pause_s": 0.01}
NETWORK: Keys = {"transport": "tcp"}
ALL: Keys = {"host": "127.0.0.1", "connect_timeout_s": 3, "reply_timeout_s": 0.5}
CONNECTIONS: Mapping[str, Keys] = {
    "COM1": {**SERIAL, "line_baud_rate": 9_600},
    "COM2": {**SERIAL, "line_baud_rate": 19_200},
    "PC1": NETWORK,
    "UV1": {**NETWORK, "single": True},
    "OZ1": SERIAL,
    "RI1": NETWORK,
}
"""What each connection says besides where it is and how long it waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Office:
    """The broker of the district office.

    Args:
        host: on the loopback for a run without encryption; port: of the broker.
        client_id: must differ between runs that share a broker.
        topic_root: first level of all topics.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    client_id: str = "marrowfell"
    topic_root: str = "purplegate"


def write_site(
    target: Path, *, ports: Mapping[str, int], page: Path | None, uid: int, office: Office, source: Path = DEMO_SITE
) -> Path:
    """Write the site folder of one run.

    Args:
        target: folder to make; files of an earlier run in it are replaced, records in it stay. Keep its path
            short: the local socket's path may not exceed the 107 bytes of the operating system.
        ports: of every connection, as the simulator reports them.
        page: clock page of the simulated plant, with the machine's figures beside it; None for real time.
        uid: local user who acts as VISITOR-OP.
        office: where the uplink goes.
        source: the site to copy.

    Returns:
        the target.

    Raises:
        KeyError: a connection's port is missing.
        OSError: the source cannot be read or the target not written.
    """
    target.mkdir(parents=True, exist_ok=True)
    for file in sorted(source.rglob("*.yaml")):
        copy = target / file.relative_to(source)
        if copy != target / PLACE:
            copy.parent.mkdir(exist_ok=True)
            shutil.copyfile(file, copy)
    place = _place(ports=ports, page=page, uid=uid, office=office)
    heading = "# Written for one run against the simulated plant. JSON, which YAML includes.\n"
    (target / PLACE).write_text(heading + json.dumps(place, indent=2) + "\n", encoding="utf-8")
    return target


def _place(*, ports: Mapping[str, int], page: Path | None, uid: int, office: Office) -> dict[str, object]:
    return {
        "place": {
            "storage_folder": "record",
            "socket": "record/field.sock",
            "figures_folder": FIGURES_FOLDER if page is None else str(page.resolve().with_name(FIGURES_FOLDER)),
            "simulated_clock": None if page is None else str(page.resolve()),
        },
        "people": {
            "VISITOR-OP": {"role": "VISITOR-OP", "local_users": [uid]},
            "DUTY-MGR": {"role": "DUTY-MGR", "local_users": []},
        },
        "connections": {name: {**ALL, **own, "port": ports[name]} for name, own in CONNECTIONS.items()},
        "uplink": {
            "mqtt": {
                "host": office.host,
                "port": office.port,
                "client_id": office.client_id,
                "topic_root": office.topic_root,
                "username": None,
                "password": None,
                "tls": None,
                "keepalive_s": 30,
                "window": 20,
                "message_limit_bytes": 60_000,
                "history_interval_s": 60,
            }
        },
    }
