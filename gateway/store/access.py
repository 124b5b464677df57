"""Who may write a record: nobody but the user it belongs to. Decides only whether it is refused; changes no permission.

A record that anybody on the machine could write proves nothing. It is refused
rather than tightened without a word, so that a person looks at it first.
"""

import stat
from pathlib import Path

from gateway.store.errors import StoreExposed

_BESIDE = ("", "-wal", "-shm", ".run", ".lock", ".closed")


def refuse_exposed(path: Path) -> None:
    """Look at the folder of a database, the file, and what lies beside it.

    Args:
        path: the database file; it need not be there.

    Raises:
        StoreExposed: anybody on this machine may write one of them; every one is named.
    """
    looked_at = (path.parent, *(Path(f"{path}{suffix}") for suffix in _BESIDE))
    exposed = [one for one in looked_at if one.exists() and one.stat().st_mode & stat.S_IWOTH]
    if exposed:
        found = ", ".join(f"{one} ({stat.S_IMODE(one.stat().st_mode):04o})" for one in exposed)
        raise StoreExposed(
            f"anybody on this machine may have changed the record: {found}; it must not be writable by others. Look at"
            f" it with purplegate store verify, then run: chmod o-w {' '.join(str(one) for one in exposed)}"
        )
