"""A stopped copy of the demo site with a small record of two starts, and its socket as a running one would have it."""

import asyncio
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gateway.configuration.plant import load_site
from gateway.configuration.reading import canonical_text
from gateway.core.request import Answer, Request
from gateway.field.serving import Server
from gateway.field.site import History
from gateway.local.messages import Hello, Status
from gateway.store import beginnings, configurations, journal, machine_state, positions, sample_log
from gateway.store.database import Database, Transaction
from tests.store.support import UTC_MS, WAIT_S, chunk_from, entry, opened, state_after

MARROWFELL = Path(__file__).parents[2] / "config" / "marrowfell"
COMMITS_A_RUN = 6
ROWS = 40

LINES = 2 * COMMITS_A_RUN
SAMPLES = LINES * ROWS


def made_site(folder: Path) -> Path:
    """Two starts, each of six commits of a journal line and forty samples."""
    site = Path(shutil.copytree(MARROWFELL, folder / "site", ignore=shutil.ignore_patterns("record")))
    loaded = load_site(site)
    document = canonical_text(loaded.site).encode("ascii")

    def write(transaction: Transaction, run: int) -> None:
        configurations.keep(transaction, configuration=loaded.hash, document=document)
        begun = beginnings.Begun(run=run, said=0, configuration=loaded.hash, state=b"state of the beginning")
        beginnings.keep(transaction, begun)
        first = 1 + (run - 1) * COMMITS_A_RUN
        for n in range(first, first + COMMITS_A_RUN):
            journal.append(transaction, [entry(n, run=run, configuration=loaded.hash)])
            chunk = chunk_from((n - 1) * ROWS + 1, ROWS, run=run, configuration=loaded.hash)
            sample_log.append(transaction, *chunk)
        machine_state.save(transaction, state_after(first))

    for run in (1, 2):
        with opened(site / "record" / "plant.db") as database:
            database.submit(lambda transaction, run=run: write(transaction, run)).result(WAIT_S)  # type: ignore[misc]
            store = database.opened.store
            database.submit(
                lambda transaction, store=store: positions.set(  # type: ignore[misc]
                    transaction, reader="mqtt", stream="samples", n=ROWS, store=store
                )
            ).result(WAIT_S)
    return site


async def _nobody(request: Request) -> Answer:
    return Answer(request=request.id, granted=False, reason="nobody")


@contextmanager
def running(site: Path) -> Iterator[Database]:
    """The local socket of the site's field process, with the real history of its store behind it."""

    async def serve(database: Database) -> None:
        server = Server(
            path=site / "record" / "field.sock",
            hello=lambda: Hello(site="marrowfell", store=database.opened.store),
            status=lambda: Status(id=0, utc_ms=UTC_MS, scan=9, outputs=(), interlocks=(), alarms=(), tags=()),
            submit=_nobody,
            read_history=History(database, ()).read,
            confirmed=lambda *_: None,
            persons_of=lambda _: {},
        )
        await server.start()
        ready.set()
        await asyncio.get_running_loop().run_in_executor(None, leave.wait, WAIT_S)
        await server.close()

    ready, leave = threading.Event(), threading.Event()
    with opened(site / "record" / "plant.db") as database:
        serving = threading.Thread(target=lambda: asyncio.run(serve(database)))
        serving.start()
        try:
            assert ready.wait(WAIT_S)
            yield database
        finally:
            leave.set()
            serving.join(WAIT_S)
