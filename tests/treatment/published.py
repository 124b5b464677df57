"""The published rows that are run: from ``tests/data/published``, or from the folder in PURPLEGATE_PUBLISHED."""

import csv
import os
from collections.abc import Mapping
from pathlib import Path

HERE = Path(__file__).parent.parent / "data" / "published"
FOLDER = Path(os.environ.get("PURPLEGATE_PUBLISHED", HERE))

Row = Mapping[str, str]


def rows(name: str, folder: Path = FOLDER) -> list[Row]:
    """The rows of a file by column; none where there is no such file."""
    file = folder / f"{name}.csv"
    if not file.exists():
        return []
    with file.open(encoding="utf-8-sig", newline="") as opened:
        return list(csv.DictReader(opened))


def named(row: Row) -> str:
    """A row in short, for the name of its test."""
    return "-".join(value for key, value in list(row.items())[:5] if value and len(value) <= 30)
