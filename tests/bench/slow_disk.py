"""``python -m tests.bench.slow_disk SECONDS COMMAND...``: the gateway's command line on a disk that syncs slowly.

Every commit takes so much longer. The wait stands in the store's writer
thread, inside the transaction, where SQLite would wait for fsync: the write
lock is held, the interpreter is free for others, as it is there. Everything
else is the gateway as it is.
"""

import sys
import time
from collections.abc import Callable
from typing import TypeVar

from gateway.__main__ import main
from gateway.store import database
from gateway.store.database import Transaction

T = TypeVar("T")


def make_slow(sync_s: float) -> None:
    """From now on every commit of this process takes so much longer."""
    carry_out = database._in_transaction

    def slowly(connection: Transaction, work: Callable[[Transaction], T]) -> T:
        def work_and_sync(transaction: Transaction) -> T:
            done = work(transaction)
            time.sleep(sync_s)
            return done

        return carry_out(connection, work_and_sync)

    database._in_transaction = slowly


if __name__ == "__main__":
    make_slow(float(sys.argv.pop(1)))
    main()
