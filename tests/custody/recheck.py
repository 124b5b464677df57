"""An export checked by somebody who has only its README: the standard library, nothing of the gateway."""

import csv
import hashlib
import json
from pathlib import Path


def recheck(folder: Path, noted: str | None) -> str:
    """Steps 1 and 2 of the README, and the SHA-256 of the list that was noted; returns it.

    Raises:
        AssertionError, ValueError, KeyError, OSError: something is not what was exported.
    """
    sums = (folder / "SHA256SUMS").read_bytes()
    assert noted in (None, hashlib.sha256(sums).hexdigest()), "the list of checksums is another"
    for line in sums.decode("ascii").splitlines():
        digest, name = line.split("  ", 1)
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest, name
    before, n = bytes(32), 0
    for line in (folder / "journal.jsonl").read_text(encoding="utf-8").split("\n")[:-1]:
        text = line[83:-1]
        before, n = hashlib.sha256(before + text.encode()).digest(), n + 1
        assert json.loads(line)["hash"] == before.hex(), n
        assert json.loads(text)["n"] == n, n
    for text_file in (folder / "configurations").iterdir():
        assert hashlib.sha256(text_file.read_bytes()).hexdigest() == text_file.stem, text_file
    assert f"{n} {before.hex()}" in (folder / "README.txt").read_text(encoding="utf-8")
    return hashlib.sha256(sums).hexdigest()


def sample_lines(folder: Path) -> list[dict[str, str]]:
    """All samples, in the order of the files' names."""
    lines = []
    for path in sorted(folder.glob("samples-*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            lines += list(csv.DictReader(file))
    return lines
