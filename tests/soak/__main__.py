"""Runs the soak: prints what was found and keeps it. ``python -m tests.soak --help`` tells the choices."""

import argparse
import json
import os
import platform
import sys
import tempfile
from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.soak.backlog import BACKLOG_H, lost_for
from tests.soak.direct_month import direct_month
from tests.soak.judging import judged
from tests.soak.month import day_on_the_wire
from tests.soak.sockets import soak

RESULTS = Path(__file__).parent / "results.json"
_BUDGET_MB = 30.0
Found = dict[str, Any]


def _sockets(arguments: argparse.Namespace) -> Found:
    with tempfile.TemporaryDirectory(prefix="pgs") as folder:
        return judged(soak(Path(folder), seconds=arguments.hours * 3_600, rate=arguments.rate))


def _direct(arguments: argparse.Namespace) -> Found:
    return direct_month(arguments.days).record()


def _data(_: argparse.Namespace) -> Found:
    day = day_on_the_wire(24)
    kept = {"a month within the data": day.month_mb <= _BUDGET_MB}
    return asdict(day) | {"month_mb": round(day.month_mb, 2), "kept": kept}


def _backlog(_: argparse.Namespace) -> Found:
    came = lost_for(BACKLOG_H)
    return asdict(came) | {"wrong": came.wrong, "kept": {"E08": not came.wrong}}


PARTS: dict[str, Callable[[argparse.Namespace], Found]] = {
    "data": _data,
    "backlog": _backlog,
    "direct": _direct,
    "sockets": _sockets,
}


def _parts(text: str) -> tuple[str, ...]:
    parts = tuple(text.split(","))
    if unknown := [part for part in parts if part not in PARTS]:
        raise argparse.ArgumentTypeError(f"no part {', '.join(unknown)}; there are {','.join(PARTS)}")
    return parts


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description="What only shows over hours and days.")
    parser.add_argument("--hours", type=float, default=3.0, help="real hours over sockets (default 3)")
    parser.add_argument("--rate", type=float, default=30.0, help="plant seconds a second over sockets (default 30)")
    parser.add_argument("--days", type=float, default=28.0, help="plant days in the direct gear (default 28)")
    parser.add_argument("--parts", type=_parts, default=tuple(PARTS), help="which, with commas between (default all)")
    parser.add_argument("--results", type=Path, default=RESULTS, help="the file that is kept (default beside the code)")
    return parser


def keep(results: Path, part: str, found: Found) -> None:
    """Put a part's figures into the file; the others stay as they are."""
    known = json.loads(results.read_text(encoding="utf-8")) if results.exists() else {}
    machine = {"python": platform.python_version(), "processors": os.cpu_count(), "load": os.getloadavg()}
    known[part] = {"at": datetime.now(UTC).isoformat(timespec="minutes"), "machine": machine, **found}
    results.write_text(json.dumps(known, indent=2) + "\n", encoding="utf-8")


def main() -> int:
    """Run. Returns the exit code: 1 when a promise was not kept."""
    arguments = _parser().parse_args()
    whole = True
    for part in arguments.parts:
        found = PARTS[part](arguments)
        keep(arguments.results, part, found)
        sys.stdout.write(f"{part}: {json.dumps(found, indent=2)}\n")
        sys.stdout.flush()
        whole = whole and all(found["kept"].values())
    return int(not whole)


if __name__ == "__main__":
    sys.exit(main())
