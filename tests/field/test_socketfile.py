"""Where the socket lies, who may reach it, and whose it is."""

import os
import shutil
import socket
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.field.socketfile import SocketFile, SocketRefused, private_folder


@pytest.fixture
def folder() -> Iterator[Path]:
    """A short path: that of a Unix socket has little room."""
    made = Path(tempfile.mkdtemp(prefix="sf-"))
    yield made
    shutil.rmtree(made)


def give_back(file: SocketFile) -> None:
    file.bound.close()
    file.remove()


def mode_of(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_the_folder_is_made_closed_to_others_whatever_the_umask(folder: Path) -> None:
    before = os.umask(0)
    try:
        file = SocketFile.claim(folder / "a" / "b" / "field.sock")
    finally:
        os.umask(before)
    assert mode_of(folder / "a" / "b") == 0o750
    assert mode_of(file.path) == 0o660
    give_back(file)


@pytest.mark.parametrize("mode", [0o700, 0o750, 0o2750])
def test_a_folder_closed_to_others_is_taken_as_it_is(folder: Path, mode: int) -> None:
    folder.chmod(mode)
    assert private_folder(folder) == folder
    assert mode_of(folder) == mode


@pytest.mark.parametrize("mode", [0o755, 0o770, 0o701, 0o1777])
def test_a_folder_open_to_others_is_refused_and_left_alone(folder: Path, mode: int) -> None:
    folder.chmod(mode)
    with pytest.raises(SocketRefused, match=f"mode {mode:04o}; allowed is 0700 or 0750"):
        SocketFile.claim(folder / "field.sock")
    assert mode_of(folder) == mode
    assert list(folder.iterdir()) == []


def test_the_file_of_a_dead_process_is_replaced(folder: Path) -> None:
    path = folder / "field.sock"
    claim = (
        "import os, pathlib, sys; from gateway.field.socketfile import SocketFile;"
        "file = SocketFile.claim(pathlib.Path(sys.argv[1])); file.bound.listen(); os.abort()"
    )
    subprocess.run([sys.executable, "-c", claim, str(path)], check=False, timeout=60, cwd=Path(__file__).parents[2])
    assert path.is_socket()
    assert path.with_name("field.sock.lock").exists()
    file = SocketFile.claim(path)
    file.bound.listen()
    with socket.socket(socket.AF_UNIX) as client:
        client.connect(str(path))
    give_back(file)
    assert not path.exists()


def test_the_place_of_a_live_process_is_refused_and_its_file_stays(folder: Path) -> None:
    first = SocketFile.claim(folder / "field.sock")
    with pytest.raises(SocketRefused, match="belongs to a running process"):
        SocketFile.claim(folder / "field.sock")
    assert first.path.is_socket()
    give_back(first)
    give_back(SocketFile.claim(folder / "field.sock"))


def test_a_strangers_live_socket_is_refused_and_stays(folder: Path) -> None:
    with socket.socket(socket.AF_UNIX) as stranger:
        stranger.bind(str(folder / "field.sock"))
        stranger.listen()
        with pytest.raises(SocketRefused, match="belongs to a running process"):
            SocketFile.claim(folder / "field.sock")
        with socket.socket(socket.AF_UNIX) as client:
            client.connect(str(folder / "field.sock"))


def test_after_a_refusal_the_lock_is_free_again(folder: Path) -> None:
    (folder / "field.sock").write_text("notes")
    with pytest.raises(SocketRefused, match="is no socket and is left alone"):
        SocketFile.claim(folder / "field.sock")
    assert (folder / "field.sock").read_text() == "notes"
    (folder / "field.sock").unlink()
    give_back(SocketFile.claim(folder / "field.sock"))


def test_a_link_is_not_followed_to_somebody_elses_file(folder: Path) -> None:
    (folder / "precious").write_text("record")
    (folder / "field.sock").symlink_to(folder / "precious")
    with pytest.raises(SocketRefused, match="is no socket"):
        SocketFile.claim(folder / "field.sock")
    assert (folder / "precious").read_text() == "record"


def test_a_path_longer_than_the_kernel_takes_is_refused_with_the_figure(folder: Path) -> None:
    with pytest.raises(SocketRefused, match="more than 107 bytes"):
        SocketFile.claim(folder / ("x" * 100) / "field.sock")
