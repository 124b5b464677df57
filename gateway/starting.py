"""What a program of ours says to the one that started it: that it has accepted its configuration. Decides nothing."""

import os
from contextlib import suppress

ACCEPTED_FD = "PURPLEGATE_ACCEPTED_FD"  # environment variable: the number of the pipe it is said through


def say_accepted() -> None:
    """Say it, once; nothing at all when nobody waits for it."""
    number = os.environ.pop(ACCEPTED_FD, "")
    if number.isdecimal():
        with suppress(OSError), open(int(number), "wb", buffering=0) as pipe:  # noqa: PTH123 - a pipe has no path
            pipe.write(b"\n")
