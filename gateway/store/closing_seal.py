"""A checksum over the whole database file, left beside it by an orderly stop and taken away by the next start.

Rows carry seals and hashes, but a database also has octets that no row uses.
The closing seal covers these too, so that not one octet of a stopped record
changes unnoticed. After a power cut or a kill there is none, and then only
what the rows say is proven. Decides whether a file is the one that was closed.
"""

import hashlib
import os
import time
from enum import Enum
from pathlib import Path

_PIECE_BYTES = 1_048_576
_PATIENCE_S = 3.0  # a stop does not wait longer; a larger record goes without
_FILE_MODE = 0o600


class Closed(Enum):
    """What the seal says about the file beside it."""

    AS_IT_WAS = "as it was"  # octet for octet what the stop left
    CHANGED = "changed"  # it is another file, or somebody changed the seal
    NO_SEAL = "no seal"  # the process did not stop in order, or the file was too large to be sealed


def make(path: Path) -> None:
    """Seal a database that has just been closed. Does without when that takes longer than three seconds.

    Raises:
        OSError: the disk takes no such file.
    """
    target, fresh = _of(path), Path(f"{_of(path)}.new")
    until_s = time.monotonic() + _PATIENCE_S
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_PIECE_BYTES):
            digest.update(piece)
            if time.monotonic() > until_s:
                return
    with open(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, _FILE_MODE), "w") as file_of_seal:  # noqa: PTH123 - a mode is needed
        file_of_seal.write(digest.hexdigest())
        file_of_seal.flush()
        os.fsync(file_of_seal.fileno())
    fresh.rename(target)


def break_open(path: Path) -> None:
    """The database is about to change: what the seal said no longer holds.

    Raises:
        OSError: it cannot be removed.
    """
    _of(path).unlink(missing_ok=True)


def look(path: Path) -> Closed:
    """Compare a stopped database with its seal.

    Raises:
        OSError: one of the two cannot be read.
    """
    try:
        noted = _of(path).read_bytes()
    except FileNotFoundError:
        return Closed.NO_SEAL
    with path.open("rb") as file:
        found = hashlib.file_digest(file, "sha256").hexdigest()
    return Closed.AS_IT_WAS if noted == found.encode("ascii") else Closed.CHANGED


def _of(path: Path) -> Path:
    return Path(f"{path}.closed")
