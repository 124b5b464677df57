"""An end by signal, the same for every program of ours. Decides nothing."""

import asyncio
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def stopped_by_signals(stop: Callable[[], None]) -> Iterator[None]:
    """Have SIGINT and SIGTERM call ``stop`` in the running event loop."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop)
    try:
        yield
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)
