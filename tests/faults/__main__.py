"""Runs the fault campaign: prints the table and keeps it. ``python -m tests.faults --help`` tells the choices."""

import argparse
import sys
import time
from pathlib import Path

from tests.faults.frame import lines_of, merge, record_of
from tests.faults.rows import ROWS

RESULTS = Path(__file__).parent / "results.json"


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
        prog="python -m tests.faults",
        description="Breaks on purpose what the gateway promises to come through, and says what was lost.",
        epilog="Rows: " + "; ".join(f"{key} {row.fault}" for key, row in ROWS.items()),
    )
    parser.add_argument("--rows", type=_rows, default=tuple(ROWS), help="which, with commas between (default all)")
    parser.add_argument(
        "--seed", type=_whole_number, default=1, help="of everything that is left to chance (default 1)"
    )
    parser.add_argument("--tries", type=_whole_number, default=None, help="instead of each row's own number of tries")
    parser.add_argument("--results", type=Path, default=RESULTS, help="the file that is kept (default beside the code)")
    return parser


def main() -> int:
    """Run the rows that were asked for. Returns the exit code: 1 when anything was lost."""
    arguments = _parser().parse_args()
    lost = False
    for key in arguments.rows:
        row, began = ROWS[key], time.monotonic()
        tally = row.run(arguments.tries or row.goal, arguments.seed)
        seconds = time.monotonic() - began
        sys.stdout.write("\n".join(lines_of(key, row, tally, seconds)) + "\n")
        sys.stdout.flush()
        merge(arguments.results, {key: record_of(row, tally, seed=arguments.seed, seconds=seconds)})
        lost = lost or row.verdict(tally) == "lost"
    return int(lost)


if __name__ == "__main__":
    sys.exit(main())
