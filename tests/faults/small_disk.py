"""A file system of a few megabytes of its own, that can be filled to its last octet."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

NEEDS_ROOT = "a small file system cannot be mounted here (needs root)"


class NoSmallDisk(Exception):  # noqa: N818 - named for what is the case
    """It cannot be mounted here."""


@contextmanager
def small_disk(place: Path, megabytes: int) -> Iterator[Path]:
    """Mount it, and take it away again."""
    disk = place / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m,mode=0700", "tmpfs", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, timeout=30, check=False).returncode != 0:
        raise NoSmallDisk(NEEDS_ROOT)
    try:
        yield disk
    finally:
        subprocess.run(["umount", "--lazy", str(disk)], timeout=30, check=True)


def fill_up(disk: Path) -> Path:
    """Write a file until not one octet is free any more; returns it."""
    filler = disk / "filler"
    with filler.open("ab", buffering=0) as file:
        for size in (1_048_576, 65_536, 4096, 1):
            while True:
                try:
                    if file.write(bytes(size)) < size:
                        break
                except OSError:
                    break
    return filler
