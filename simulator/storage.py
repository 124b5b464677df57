"""The disk under a gateway's record, as it can be made to fail: from outside, by the operating system.

A process whose files may not grow gets an error from every write to a file,
as from a disk that fails; sockets and pipes go on. Decides nothing else.
"""

import contextlib
import resource
from pathlib import Path

_NO_ROOM_BYTES = 1  # every write goes beyond it


def let_write(process: int, *, allowed: bool) -> None:
    """Let every write of a process to a file fail, or succeed again as far as those of this process do.

    A process that is gone has nothing to be switched.

    Args:
        process: id of a process of the same user, started by this one or by its children.
        allowed: whether it may write.
    """
    with contextlib.suppress(ProcessLookupError):
        _, most = resource.prlimit(process, resource.RLIMIT_FSIZE)
        usual, _ = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.prlimit(process, resource.RLIMIT_FSIZE, (usual if allowed else _NO_ROOM_BYTES, most))


def field_process_of(supervisor: int) -> int | None:
    """The id of the process that holds the record; None while there is none.

    Args:
        supervisor: process id of ``purplegate run``.
    """
    children = Path(f"/proc/{supervisor}/task/{supervisor}/children")
    with contextlib.suppress(OSError):  # one of them ends just now
        for child in children.read_text(encoding="ascii").split():
            if b"field" in Path(f"/proc/{child}/cmdline").read_bytes().split(b"\0"):
                return int(child)
    return None
