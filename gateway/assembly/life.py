"""What both processes need to live: a clock, and errors that say what to do."""

import asyncio
import logging
from collections.abc import Callable, Coroutine

from gateway.configuration.plant import LoadedSite
from gateway.field.clock import Clock, ClockFault, PageClock, SystemClock
from gateway.field.socketfile import SocketRefused
from gateway.store.errors import StoreError

FAILED = 1  # exit code: a part ended by itself, or something that is needed is taken or broken

_log = logging.getLogger(__name__)


def until_its_end(process: Callable[[], Coroutine[None, None, int]]) -> int:
    """Run a process and return its exit code; when clock page, store or socket is taken or broken, the log says so."""
    try:
        return asyncio.run(process())
    except (ClockFault, StoreError, SocketRefused) as fault:
        _log.error("%s", fault)
        return FAILED


def clock_of(loaded: LoadedSite, *, field_process: bool = False) -> Clock:
    """Real time, or the simulated plant's where the site names its clock page."""
    page = loaded.site.place.simulated_clock
    return SystemClock() if page is None else PageClock(loaded.resolve(page), field_process=field_process)
