"""The frame of the fault campaign: what a row hands over, how it is judged, shown and kept.

A row breaks one thing, so many times, with a seed, and says how often what was
promised held. A try that was lost is kept in words, with its number, so that
the same seed shows it again. Breaks nothing itself.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.bench.frame import machine, versions

LOST_IN_WORDS = 10  # more of them say nothing new


@dataclass(slots=True, kw_only=True)
class Tally:
    """What became of the tries of a row.

    Args:
        tried: how often the fault was made.
        kept: how often everything that was promised held.
        lost: the others, in words; only the first few are kept in the file.
        worst: the figure that came nearest to breaking the promise; None when there is none.
        counts: what else happened, to show that the faults were felt.
    """

    tried: int = 0
    kept: int = 0
    lost: list[str] = field(default_factory=list)
    worst: float | None = None
    counts: dict[str, int] = field(default_factory=dict)

    def one(self, wrong: str) -> None:
        """One more try; ``wrong`` says what was lost, empty when nothing was."""
        self.tried += 1
        if wrong:
            self.lost.append(f"try {self.tried}: {wrong}")
        else:
            self.kept += 1

    def count(self, what: str, many: int = 1) -> None:
        self.counts[what] = self.counts.get(what, 0) + many

    def at_worst(self, figure: float) -> None:
        self.worst = figure if self.worst is None else max(self.worst, figure)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row of the campaign.

    Args:
        fault: what is broken, and how the plant was stood in for.
        promise: what must hold all the same.
        figure: what ``Tally.worst`` is, with its unit; empty when the row has none.
        most: the largest worst figure that is good enough; None when there is none.
        goal: how many tries a campaign shall make.
        run: makes so many tries with a seed.
    """

    fault: str
    promise: str
    figure: str = ""
    most: float | None = None
    goal: int
    run: Callable[[int, int], Tally]

    def verdict(self, tally: Tally) -> str:
        """``kept`` when every try of a whole campaign was; ``lost`` when one was not; ``kept so far`` in between."""
        too_much = self.most is not None and tally.worst is not None and tally.worst > self.most
        if tally.lost or too_much or not tally.tried:
            return "lost"
        return "kept" if tally.tried >= self.goal else "kept so far"


def lines_of(key: str, row: Row, tally: Tally, seconds: float) -> list[str]:
    """A row as lines of a table."""
    figure = f", worst {tally.worst:.3g} {row.figure}" if tally.worst is not None else ""
    limit = f" (at most {row.most:g})" if row.most is not None else ""
    tried = f"tried {tally.tried} of {row.goal}, kept {tally.kept}, lost {len(tally.lost)}"
    counts = ", ".join(f"{many} {what}" for what, many in sorted(tally.counts.items()))
    return [
        f"{key}: {row.fault}",
        f"    promise: {row.promise}",
        f"    {row.verdict(tally)}: {tried}{figure}{limit}; {seconds:.0f} s",
        *([f"    {counts}"] if counts else []),
        *(f"    LOST {words}" for words in tally.lost[:LOST_IN_WORDS]),
    ]


def record_of(row: Row, tally: Tally, *, seed: int, seconds: float) -> dict[str, Any]:
    """What is kept of a row."""
    return {
        "fault": row.fault,
        "promise": row.promise,
        "tried": tally.tried,
        "kept": tally.kept,
        "lost": len(tally.lost),
        "lost_in_words": tally.lost[:LOST_IN_WORDS],
        "worst": tally.worst,
        "figure": row.figure,
        "most": row.most,
        "goal": row.goal,
        "verdict": row.verdict(tally),
        "counts": tally.counts,
        "seed": seed,
        "seconds": round(seconds, 1),
        "when": datetime.now(UTC).isoformat(timespec="seconds"),
        "machine": machine(),
        "versions": versions(),
    }


def merge(file: Path, records: Mapping[str, Mapping[str, Any]]) -> None:
    """Put rows into the file; those that were not run stay as they are."""
    kept = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {}
    merged = dict(sorted({**kept, **records}.items()))
    file.write_text(json.dumps(merged, indent=1, allow_nan=False) + "\n", encoding="utf-8")
