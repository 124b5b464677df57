"""Room that is taken up on purpose, on the disk of a database, so that a full disk is not the end of it.

Opening a database, writing a row and deleting one all take room first, for the
write-ahead log. Decides whether the room is held; who releases it, and what is
forgotten then, is for others.
"""

import contextlib
import errno
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from gateway.store.database import Database
from gateway.store.errors import StoreFailing, StoreFull

_LEAST_SHARE = 0.75
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


@dataclass(frozen=True, slots=True)
class Ballast:
    """A file that takes up room on purpose, on the disk of the database.

    Args:
        path: of the file.
        size_bytes: a few megabytes; a write-ahead log of 4 MiB and a call of ``retention.forget`` have room in 8 MiB.
    """

    path: Path
    size_bytes: int

    @property
    def held(self) -> bool:
        """Whether the room is taken up now, most of it at least."""
        return self.path.exists() and self._least_bytes <= self.path.stat().st_size <= self.size_bytes

    @property
    def _least_bytes(self) -> int:
        return round(self.size_bytes * _LEAST_SHARE)

    @property
    def fits(self) -> bool:
        """Whether the disk has its size twice: once to take up, and once for the log to grow meanwhile."""
        return self._free_bytes() >= 2 * self.size_bytes

    def release_and_look(self, size_bytes: int) -> bool:
        """Give the room back; whether there is so much on the disk now.

        Raises:
            StoreFailing: the file cannot be removed.
        """
        self.release()
        return self._free_bytes() >= size_bytes

    def _free_bytes(self) -> int:
        try:
            disk = os.statvfs(self.path.parent)
        except OSError:
            return 0
        return disk.f_bavail * disk.f_frsize

    def reserve(self) -> None:
        """Take up the room, with real blocks; nothing happens when it is held already.

        On a disk that is full to its last octet the database has grown into a little of what was given back, so that
        somewhat less is enough.

        Raises:
            StoreFull: there is not so much room; what was taken up is given back.
            StoreFailing: the file cannot be made.
        """
        if self.held:
            return
        self._take_up(max(self._least_bytes, min(self.size_bytes, self._free_bytes())))

    def _take_up(self, size_bytes: int) -> None:
        try:
            file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o600)
            try:
                os.posix_fallocate(file, 0, size_bytes)
                os.ftruncate(file, size_bytes)
            finally:
                os.close(file)
        except OSError as error:
            self.release()
            kind = StoreFull if error.errno in _NO_ROOM else StoreFailing
            raise kind(
                f"{self.path}: {self.size_bytes} bytes of ballast cannot be reserved: {error.strerror}"
            ) from error

    def try_to_reserve(self) -> None:
        """Take up the room if there is so much; without it a full disk keeps the next start out, and nothing else."""
        with contextlib.suppress(StoreFull, StoreFailing):
            self.reserve()

    def release(self) -> None:
        """Give the room back. Safe to call at any time.

        Raises:
            StoreFailing: the file cannot be removed.
        """
        try:
            self.path.unlink(missing_ok=True)
        except OSError as error:
            raise StoreFailing(f"{self.path}: the ballast cannot be released: {error.strerror}") from error


def opened_with(ballast: Ballast, open_database: Callable[[], Database]) -> Database:
    """Open a database; when the disk is full, on the room that the ballast held.

    Raises:
        StoreFull: no room, and no ballast was held, or it was not enough.
        StoreError: as ``Database``.
    """
    try:
        return open_database()
    except StoreFull:
        if not ballast.held:
            raise
        ballast.release()
        return open_database()
