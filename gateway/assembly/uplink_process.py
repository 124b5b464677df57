"""The process towards the outside. Nothing in it knows a device."""

import asyncio
import gc
from pathlib import Path

from gateway.assembly.life import clock_of, until_its_end
from gateway.configuration.plant import LoadedSite, load_site
from gateway.stopping import stopped_by_signals
from gateway.uplink.process import run_uplink


def uplink_process(folder: Path) -> int:
    """Run until a signal. Returns the exit code.

    When the clock page or the store is taken or broken, the log says so.

    Raises:
        Refused: the site folder cannot be used, or a secret is not to be had.
    """
    loaded = load_site(folder)
    return until_its_end(lambda: _run(loaded))


async def _run(loaded: LoadedSite) -> int:
    clock = clock_of(loaded)
    gc.freeze()  # what has been loaded stays for good: each look through it would hold up what is being delivered
    stopped = asyncio.Event()
    with stopped_by_signals(stopped.set):
        await run_uplink(loaded, now=clock.now, sleep=clock.sleep, stop=stopped)
    clock.close()
    return 0
