"""The socket's place in the file system: who may reach it, and whose it is. Decides nothing about what is said there.

The socket file is open to its owner and group (0660) and lies in a folder that
is closed to everybody else (0700 or 0750). A lock file beside it is held as
long as the process lives, so a socket file left by a dead process is known for
what it is, and two processes can never take it from one another.
"""

import errno
import fcntl
import os
import socket
import stat
from pathlib import Path
from typing import Self

_SOCKET_MODE = 0o660
_FOLDER_MODE = 0o750
_FOR_OTHERS = 0o027  # group may not write, others may nothing
_PATH_LIMIT_BYTES = 107  # unix(7): sun_path, with its closing zero
_PROBE_TIMEOUT_S = 1.0


class SocketRefused(Exception):  # noqa: N818 - named for what is the case
    """The socket cannot be placed here; the text says what is in the way and what to do."""


def private_folder(folder: Path) -> Path:
    """Make a folder (0750, with its parents) or accept one that is closed to others.

    Raises:
        SocketRefused: others may enter it, or its group may write there.
    """
    if not folder.exists():
        folder.mkdir(parents=True)
        folder.chmod(_FOLDER_MODE)
    mode = stat.S_IMODE(folder.stat().st_mode)
    if mode & _FOR_OTHERS:
        raise SocketRefused(
            f"folder {folder} has mode {mode:04o}; allowed is 0700 or 0750, because whoever reaches the socket may ask"
            f" for things: use a folder of its own, and chmod 0750 {folder}"
        )
    return folder


class SocketFile:
    """A bound, not yet listening Unix socket and its file. Take it with ``claim``, give it back with ``remove``.

    Args:
        path: of the socket.
        bound: the socket.
        lock: descriptor of the locked lock file.
    """

    def __init__(self, path: Path, bound: socket.socket, lock: int) -> None:
        self.path = path
        self.bound = bound
        self._lock = lock

    @classmethod
    def claim(cls, path: Path) -> Self:
        """Take the place, replacing what a dead process left.

        Raises:
            SocketRefused: another process has it, something else lies there,
                the folder is open to others, or the path is too long.
        """
        if len(os.fsencode(path)) > _PATH_LIMIT_BYTES:
            raise SocketRefused(
                f"socket {path}: the path has more than {_PATH_LIMIT_BYTES} bytes; choose a shorter one"
            )
        private_folder(path.parent)
        lock = _locked(path)
        try:
            _clear_away(path)
            return cls(path, _bind(path), lock)
        except BaseException:
            os.close(lock)
            raise

    def remove(self) -> None:
        """Delete the socket file and let go of the lock. The socket itself belongs to whoever listens on it."""
        self.path.unlink(missing_ok=True)
        os.close(self._lock)


def _locked(path: Path) -> int:
    lock_path = path.with_name(path.name + ".lock")
    lock = os.open(lock_path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as busy:
        os.close(lock)
        raise _in_use(path) from busy
    return lock


def _clear_away(path: Path) -> None:
    """Delete a socket file nobody listens on."""
    if not os.path.lexists(path):
        return
    if not stat.S_ISSOCK(path.lstat().st_mode):
        raise SocketRefused(f"{path} is no socket and is left alone; move it away or choose another path")
    if _somebody_listens(path):
        raise _in_use(path)
    path.unlink()


def _somebody_listens(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(_PROBE_TIMEOUT_S)
        return probe.connect_ex(str(path)) != errno.ECONNREFUSED


def _bind(path: Path) -> socket.socket:
    bound = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC)
    try:
        bound.bind(str(path))
        path.chmod(_SOCKET_MODE)  # nobody can connect before it listens
    except BaseException:
        bound.close()
        raise
    return bound


def _in_use(path: Path) -> SocketRefused:
    return SocketRefused(
        f"socket {path} belongs to a running process; stop that one first (a site has one field process)"
    )
