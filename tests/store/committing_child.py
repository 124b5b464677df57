"""A process that commits without a pause and says after each commit which it was, until it is killed.

Usage: python -m tests.store.committing_child DATABASE [BYTES]

With BYTES no file may grow beyond that size after the store is open; the
first commit that fails is told, the limit is lifted, and ten more are made.
"""

import contextlib
import resource
import sys
from pathlib import Path

from gateway.store import journal, sample_log
from gateway.store.database import Database
from gateway.store.errors import StoreFailing, StoreFull
from gateway.store.migrations import PLANT
from tests.store.support import UTC_MS, WAIT_S, commit

COUNT = 40
NO_LIMIT = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)


def say(*words: object) -> None:
    sys.stdout.write(" ".join(map(str, words)) + "\n")
    sys.stdout.flush()


def commit_next(database: Database, n: int) -> None:
    database.submit(lambda transaction: commit(transaction, n, count=COUNT)).result(WAIT_S)
    say("committed", n)


def main(path: Path, limit_bytes: int | None) -> None:
    database = Database(path, PLANT, utc_ms=UTC_MS)
    with database.reader() as reader:
        n = journal.newest(reader).n
        assert sample_log.newest_n(reader) == n * COUNT
    say("opened", n, database.opened.found.value, database.opened.run)
    if limit_bytes is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, resource.RLIM_INFINITY))
    try:
        while True:
            commit_next(database, n + 1)
            n += 1
    except (StoreFull, StoreFailing) as error:
        say("failed", n + 1, type(error).__name__, error.sqlite_errorname)
    with contextlib.suppress(StoreFull, StoreFailing):
        commit_next(database, n + 1)
        say("that was not to be")
    resource.setrlimit(resource.RLIMIT_FSIZE, NO_LIMIT)
    for more in range(1, 11):
        commit_next(database, n + more)
    database.close(WAIT_S)
    say("closed", n + 10)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else None)
