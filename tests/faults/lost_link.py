"""The data link is lost for hours and comes back: alarms first, newest values, then history in order, each once.

The same story as E08 (``tests/soak/backlog.py``), shorter and over and over.
"""

import random

from tests.soak.backlog import lost_for

Row = dict[str, str | int]
_SHORTEST_H, _LONGEST_H = 0.3, 2.0


def campaign(seed: int, tries: int) -> list[Row]:
    """Lose the link so many times, each time for some hours.

    Args:
        seed: of how long, and of the plant's noise.
        tries: how often.
    """
    chance = random.Random(seed)  # noqa: S311 - chooses how long
    lost, worst = 0, ""
    for _ in range(tries):
        hours = chance.uniform(_SHORTEST_H, _LONGEST_H)
        wrong = lost_for(hours, seed=chance.randrange(1, 1_000)).wrong
        lost += bool(wrong)
        worst = max(worst, f"after {hours:.1f} h not: {'; '.join(wrong)}" if wrong else "", key=len)
    row: Row = {
        "fault": "data link lost for hours",
        "promise": "events before history, newest values meanwhile, history in order, no gap, no double, the state says"
        " that the data are late",
        "tried": tries,
        "kept": tries - lost,
        "lost": lost,
        "worst": worst,
    }
    return [row]
