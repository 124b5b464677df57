"""Runs the bench: prints the table and keeps it. ``python -m tests.bench --help`` tells the choices."""

import argparse
import os
import sys
import time
from dataclasses import replace
from pathlib import Path

from tests.bench.frame import FULL, SHORT, Scale, headline, lines_of, merge, record_of
from tests.bench.plants import TAGS_A_DEVICE
from tests.bench.rows import ROWS

RESULTS = Path(__file__).parent / "results.json"


def _whole_numbers(text: str) -> tuple[int, ...]:
    try:
        numbers = tuple(int(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if not numbers or min(numbers) < 1:
        raise argparse.ArgumentTypeError(f"{text!r}: whole numbers from 1 with commas between, such as 1,8,64")
    return numbers


def _tags(text: str) -> tuple[int, ...]:
    numbers = _whole_numbers(text)
    if min(numbers) < TAGS_A_DEVICE:
        raise argparse.ArgumentTypeError(f"{text!r}: from {TAGS_A_DEVICE} up, which is one device")
    return numbers


def _whole_number(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r}: a whole number from 1")
    return int(text)


def _rows(text: str) -> tuple[str, ...]:
    keys = tuple(text.split(","))
    if unknown := [key for key in keys if key not in ROWS]:
        raise argparse.ArgumentTypeError(f"no row {', '.join(unknown)}; there are {','.join(ROWS)}")
    return keys


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench",
        description="What the gateway costs, beside the bare libraries on the same work.",
        epilog="Rows: " + "; ".join(f"{key} {row.title}" for key, row in ROWS.items()),
    )
    parser.add_argument("--rows", type=_rows, default=tuple(ROWS), help="which, with commas between (default all)")
    parser.add_argument("--short", action="store_true", help="only show that the rows work; nothing is kept")
    parser.add_argument("--rounds", type=_whole_number, default=None, help="values of each figure (default 5)")
    parser.add_argument("--connections", type=_whole_numbers, default=None, help="devices polled (default 1,8,64)")
    parser.add_argument("--tags", type=_tags, default=None, help="tags scanned (default 100,1000,5000)")
    parser.add_argument("--times", type=_whole_numbers, default=None, help="multiples in row i (default 1,2,4,8)")
    parser.add_argument("--results", type=Path, default=RESULTS, help="the file that is kept (default beside the code)")
    return parser


def _scale(arguments: argparse.Namespace) -> Scale:
    names = ("rounds", "connections", "tags", "times")
    said = {name: getattr(arguments, name) for name in names if getattr(arguments, name) is not None}
    return replace(SHORT if arguments.short else FULL, **said)


def main() -> int:
    """Run the rows that were asked for. Returns the exit code: 0, whatever was met or not."""
    arguments = _parser().parse_args()
    scale = _scale(arguments)
    sys.stdout.write(headline() + "\n")
    for key in arguments.rows:
        row, busy, began = ROWS[key], os.getloadavg()[0], time.monotonic()
        figures = row.measure(scale)
        sys.stdout.write("\n".join(lines_of(key, row, figures)) + f"\n      {time.monotonic() - began:.0f} s\n")
        sys.stdout.flush()
        if not arguments.short:
            merge(arguments.results, {key: record_of(row, figures, scale, busy)})
    return 0


if __name__ == "__main__":
    sys.exit(main())
