"""What stands behind ``purplegate prove``: proves, or runs a saved counter-example again; text and exit code.

Decides nothing itself.
"""

import os
from pathlib import Path

from gateway.configuration.plant import LoadedSite
from gateway.prove.certificate import certificate, counter_example
from gateway.prove.proving import prove, slices_of
from gateway.prove.slices import Whole
from gateway.prove.timeline import NotOurs, from_text, lines_of, to_text

CERTIFIED, COUNTER_EXAMPLE = 0, 1


def prove_site(loaded: LoadedSite, *, seconds: float, seed: int, save: Path | None) -> tuple[str, int]:
    """Prove a site, or find what is wrong with it.

    Args:
        loaded: the site.
        seconds: for all of it.
        seed: of the walk.
        save: where to put a counter-example; None for nowhere.

    Returns:
        The text to print and the exit code.
    """
    whole = Whole(plant=loaded.plant, scalings=loaded.scalings)
    scan_ms = _scan_ms(loaded)
    processes = max(1, len(os.sched_getaffinity(0)))
    proven = prove(whole, seconds=seconds, processes=processes, seed=seed, scan_ms=scan_ms)
    if proven.counter is None and not any(one.wrong for one in proven.walked):
        return certificate(loaded, proven), CERTIFIED
    if save is not None and proven.counter is not None and proven.found is not None:
        save.write_text(to_text(proven.counter, proven.found.moves, loaded.hash), encoding="utf-8")
    return counter_example(loaded, proven, scan_ms), COUNTER_EXAMPLE


def _scan_ms(loaded: LoadedSite) -> int:
    return round(loaded.site.site.scan_period_s * 1_000)


def prove_again(loaded: LoadedSite, file: Path) -> tuple[str, int]:
    """Run a saved counter-example with the decisions and the configuration of now.

    Raises:
        NotOurs: the file is none, or names a slice that this site does not have.
    """
    name, configuration, moves = from_text(file.read_text(encoding="utf-8"))
    whole = Whole(plant=loaded.plant, scalings=loaded.scalings)
    part = next((one for one in slices_of(whole) if one.name == name), None)
    if part is None:
        raise NotOurs(f"this site has no slice {name!r}; it was found at another one")
    lines, wrong = lines_of(part, moves, _scan_ms(loaded))
    other = "" if configuration == loaded.hash else f"It was found with another configuration, {configuration}.\n"
    verdict = "It is still so." if wrong else "It is not so any more."
    return other + "\n".join([*lines, "", verdict]), COUNTER_EXAMPLE if wrong else CERTIFIED
