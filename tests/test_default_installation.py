"""A site as it is installed, with its processes: it listens nowhere, closes its files, and tells no secret."""

import contextlib
import json
import os
import secrets
import signal
import socket
import stat
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner

from gateway.cli import main
from gateway.publishers.columns import Unreadable
from simulator.site import CONNECTIONS, Office, write_site
from tests.mosquitto import Heard, broker, free_port, listener, make_password_file

PURPLEGATE = (sys.executable, "-m", "gateway")
LISTENS = "0A"  # of /proc/net/tcp
PATIENCE_S = 30.0
REFUSED = 1  # exit code
TIGHT = 0o007  # nothing of it for others


@dataclass(frozen=True, kw_only=True)
class Installed:
    """What was seen of a site that ran for a moment.

    Args:
        listening: TCP ports that its processes listen on, and UDP ports that they hold.
        found: name to octets of everything that it wrote, said or showed.
        modes: file modes of the record and what stands in it, while it ran.
        processes: how many were looked at.
        private_key: with which the office signed.
    """

    listening: list[str]
    found: dict[str, bytes]
    modes: dict[str, int]
    processes: int
    private_key: bytes


def children_of(parent: int) -> list[int]:
    """A process and all that it has started."""
    text = Path(f"/proc/{parent}/task/{parent}/children").read_text(encoding="ascii")
    return [parent, *(one for child in text.split() for one in children_of(int(child)))]


def ports_of(pid: int) -> list[str]:
    """Where a process can be reached over a network."""
    inodes = set()
    for descriptor in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(OSError):  # closed meanwhile
            inodes.add(str(descriptor.readlink()))
    found = []
    for protocol in ("tcp", "tcp6", "udp", "udp6"):
        table = Path(f"/proc/{pid}/net/{protocol}")
        for line in table.read_text(encoding="ascii").splitlines()[1:] if table.exists() else ():
            _, local, _, state, *rest = line.split()
            if f"socket:[{rest[5]}]" in inodes and (state == LISTENS or protocol.startswith("udp")):
                found.append(f"{protocol} {local}")
    return found


@pytest.fixture(scope="module")
def secret() -> str:
    return secrets.token_hex(12)


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory, secret: str) -> Iterator[Installed]:
    folder = tmp_path_factory.mktemp("installed")
    make_password_file(folder / "passwords", office=secret, listener=secret)
    settings = ("allow_anonymous false", f"password_file {folder / 'passwords'}")
    with (
        broker(folder, *settings) as office,
        listener(office.port, username="listener", password=secret) as heard,
    ):
        site = written(folder / "site", office.port, secret)
        log = folder / "log"
        with log.open("wb") as output:  # the loosest umask there is: what is made must be tight all the same
            run = subprocess.Popen([*PURPLEGATE, "run", str(site)], stdout=output, stderr=output, umask=0)
        try:
            heard.until(lambda one: one.channel == "event")
            pids = children_of(run.pid)
            listening = [port for pid in pids for port in ports_of(pid)]
            shown = {f"command line of {pid}": Path(f"/proc/{pid}/cmdline").read_bytes() for pid in pids}
            modes = {one.name: one.stat().st_mode for one in (site / "record", *(site / "record").iterdir())}
            said = {"status": told("status", "--site", str(site))}
            said["asked from afar"] = asked_from_afar(site, folder / "DUTY-MGR.key")
            stranger = folder / "stranger.key"
            told("key", "new", "DUTY-MGR", "--file", str(stranger))
            said["asked by a stranger"] = asked_from_afar(site, stranger)
        finally:
            run.send_signal(signal.SIGINT)
            run.wait(PATIENCE_S)
        said["export"] = told("store", "export", str(site), str(folder / "export"))
        written_files = [path for place in (site / "record", folder / "export") for path in place.rglob("*")]
        files = {str(path): path.read_bytes() for path in written_files if path.is_file()}
        messages = {f"message {at}": plain(one) for at, one in enumerate(heard.heard)}
        found = {**shown, **said, **files, **messages, "log": log.read_bytes()}
        private = (folder / "DUTY-MGR.key").read_bytes().strip()
        yield Installed(
            listening=listening,
            found=found,
            modes=modes,
            processes=len(pids),
            private_key=private,
        )


def written(folder: Path, port: int, secret: str) -> Path:
    """The demo site by the real clock, no device of which is there, with a password and a token to keep."""
    ports = {name: free_port() for name in CONNECTIONS}
    site = write_site(folder, ports=ports, page=None, uid=os.getuid() + 1, office=Office(port=port))
    (folder / "password").touch(mode=0o600)
    (folder / "password").write_text(f"{secret}\n", encoding="utf-8")
    (folder / "user").touch(mode=0o600)
    (folder / "user").write_text("office\n", encoding="utf-8")
    place = json.loads((site / "place.yaml").read_text(encoding="utf-8").split("\n", 1)[1])
    place["uplink"]["mqtt"] |= {"username": {"file": "user"}, "password": {"file": "password"}, "history_interval_s": 1}
    nowhere = f"http://127.0.0.1:{free_port()}"
    influx = {"url": nowhere, "bucket": "b", "token": {"file": "password"}, "interval_s": 1, "read_back": None}
    place["uplink"]["influx"] = influx
    public = told("key", "new", "DUTY-MGR", "--file", str(folder.parent / "DUTY-MGR.key")).decode().split()[-1]
    place["people"]["DUTY-MGR"]["afar_key"] = public
    (site / "place.yaml").write_text(json.dumps(place), encoding="utf-8")
    text = (site / "site.yaml").read_text(encoding="utf-8")
    assert "commit_interval_s: 10" in text
    text = text.replace("commit_interval_s: 10", "commit_interval_s: 1")
    (site / "site.yaml").write_text(text, encoding="utf-8")
    return site


def asked_from_afar(site: Path, key: Path) -> bytes:
    """Ask for a release that this site, observing only, cannot grant."""
    words = ("ask", "--site", str(site), "--as", "DUTY-MGR", "--key", str(key), "release", "product", "--reason", "try")
    return told(*words, code=REFUSED)


def told(*words: str, code: int = 0) -> bytes:
    ended = CliRunner().invoke(main, words)
    assert ended.exit_code == code, (words, ended.output, ended.exception)
    return ended.output.encode()


def plain(one: Heard) -> bytes:
    """As it came, and inflated."""
    with contextlib.suppress(Unreadable):
        return one.body + repr(one.content).encode()
    return one.body


def test_a_port_would_be_seen() -> None:
    with socket.socket() as listening, socket.socket(type=socket.SOCK_DGRAM) as bound:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        bound.bind(("127.0.0.1", 0))
        assert {one.split()[0] for one in ports_of(os.getpid())} >= {"tcp", "udp"}


def test_no_process_of_a_site_listens_on_a_port(installed: Installed) -> None:
    assert installed.processes == 3  # supervisor, field, uplink
    assert installed.listening == []


def test_what_is_made_is_closed_to_others_whatever_the_umask(installed: Installed) -> None:
    assert {"plant.db", "uplink.db", "field.sock"} <= set(installed.modes)
    assert stat.S_ISSOCK(installed.modes["field.sock"])
    assert {name: oct(mode) for name, mode in installed.modes.items() if mode & TIGHT} == {}


def test_no_secret_is_written_said_sent_or_shown(installed: Installed, secret: str) -> None:
    assert any(name.startswith("message") for name in installed.found)  # so the password was used
    assert any("SHA256SUMS" in name for name in installed.found)
    assert b"marrowfell" in installed.found["log"]
    assert [name for name, octets in installed.found.items() if secret.encode() in octets] == []
    key = installed.private_key
    assert [name for name, octets in installed.found.items() if key in octets] == []


def test_a_request_from_afar_reaches_the_decisions_and_its_answer_the_office(installed: Installed) -> None:
    assert b"Refused. Observe-only: nothing is written" in installed.found["asked from afar"]
    assert b"nobody who may ask from afar has signed this" in installed.found["asked by a stranger"]
    (lines,) = [octets for name, octets in installed.found.items() if name.endswith("journal.jsonl")]
    (judged,) = [line for line in lines.splitlines() if b"release_refused" in line]
    assert b'"origin":"remote"' in judged
    assert b'"person":"DUTY-MGR"' in judged
    assert sum(b"afar_refused" in line for line in lines.splitlines()) == 1
