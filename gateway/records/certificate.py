"""Certification of exactly the bytes shown, and the chain of revisions. Pure: bytes and times come from outside."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass

CODE_DIGITS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """What a person certified.

    Args:
        file: name of the copy of record.
        sha256: of its bytes.
        revision: 1 for the first.
        previous: hash of the revision before; empty for the first.
        signer: name.
        role: in which the person signs.
        statement: what the person declared.
        signed_utc: when.
        changed: cells that differ from the revision before: key to its text before and after.
    """

    file: str
    sha256: str
    revision: int
    previous: str
    signer: str
    role: str
    statement: str
    signed_utc: str
    changed: Mapping[str, tuple[str, str]]


def digest(content: bytes) -> str:
    """The hash that stands for a file."""
    return hashlib.sha256(content).hexdigest()


def code_of(content: bytes) -> str:
    """What the second step has to repeat, so that exactly these bytes are meant."""
    return digest(content)[:CODE_DIGITS]


def changed_cells(before: Mapping[str, str], after: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Cells with another text, gone or new; in the order of the keys."""
    keys = sorted({*before, *after})
    return {key: (before.get(key, ""), after.get(key, "")) for key in keys if before.get(key) != after.get(key)}


def certificate_text(one: Certificate) -> str:
    """As it is kept."""
    return json.dumps(asdict(one), indent=1, ensure_ascii=False) + "\n"


def certificate_of(text: str) -> Certificate:
    """As it was kept.

    Raises:
        ValueError: it is none.
    """
    try:
        found = json.loads(text)
        changed = {key: (str(before), str(after)) for key, (before, after) in found.pop("changed").items()}
        return Certificate(**found, changed=changed)
    except (TypeError, KeyError, AttributeError) as error:
        raise ValueError(f"no certificate: {error}") from error
