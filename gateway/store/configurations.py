"""Every configuration that decisions were made under, fetchable by its hash.

Chunks name their configuration by a short number of this table, so that 64
characters of hash are not written each ten seconds.
"""

from gateway.store.database import Reader, Transaction, rows
from gateway.store.errors import StoreDamaged


def number_of(transaction: Transaction, configuration: str) -> int:
    """The number of a configuration hash in this store; given now if it had none."""
    transaction.execute("INSERT INTO configuration (hash) VALUES (?) ON CONFLICT DO NOTHING", (configuration,))
    ((number,),) = rows(transaction, "SELECT id FROM configuration WHERE hash = ?", (configuration,))
    return int(number)


def keep(transaction: Transaction, *, configuration: str, document: bytes) -> None:
    """Keep the text of a configuration under its hash; the same one again changes nothing.

    Args:
        transaction: of the writer.
        configuration: the hash as it stands in chunks and journal entries.
        document: the text that was hashed, opaque to the store.
    """
    transaction.execute(
        """INSERT INTO configuration (hash, document) VALUES (?, ?)
            ON CONFLICT DO UPDATE SET document = excluded.document WHERE document IS NOT excluded.document""",
        (configuration, document),
    )


def fetch(reader: Reader, configuration: str) -> bytes | None:
    """The text kept under a hash, or None when there is none. The caller hashes it again before it trusts it.

    Raises:
        StoreDamaged: what is kept is no text.
    """
    found = rows(reader, "SELECT document FROM configuration WHERE hash = ?", (configuration,))
    if found and not isinstance(found[0][0], bytes | None):
        raise StoreDamaged(f"the text of configuration {configuration} is damaged: {found[0][0]!r}")
    return found[0][0] if found else None
