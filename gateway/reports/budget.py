"""The race between the water and each interlock: how long each takes, and how many litres pass. Pure.

What an interlock takes is the worst case of ``configuration.response``: sample
line, T90, poll, delay, scan, write and stroke all at their longest. What the
water has is the volume between tap and output at the highest flow. A rule
should need no more than half of that (the practice told of IEC 61511); one
that needs all of it lets water pass, at the highest flow for the rest of the
time. A rule that no water volume belongs to runs no race.

Judges the configuration alone; what a plant really does is measured at it.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import Enum

from gateway.configuration.response import Response, litres_a_second, responses
from gateway.configuration.schema import Site

HALF = 0.5


class Race(Enum):
    """How it ends."""

    FIRST = "acts first"
    TIGHT = "acts first, with less than half to spare"
    TOO_LATE = "too late"
    NONE = "no water"  # no volume is declared: a tank, the mains, the record


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One part of what an interlock takes.

    Args:
        key: its name for machines.
        text: in words.
        lasts_s: how long it lasts at most.
        remedy: what would make it shorter; empty for what nobody shortens alone.
    """

    key: str
    text: str
    lasts_s: float
    remedy: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """One way in which an interlock can trip.

    Args:
        response: its parts.
        race: how it ends.
        passes_l: litres that pass the output before it stands safe; None where no volume is declared.
        beaten_by: interlocks that hold the same outputs and act first on every one of their ways.
    """

    response: Response
    race: Race
    passes_l: float | None
    beaten_by: tuple[str, ...] = ()

    @property
    def water_s(self) -> float | None:
        """Time that the water takes from tap to output, pipe and all; None where no volume is declared."""
        peak_m3_h = self.response.peak_m3_h
        return None if peak_m3_h is None else self.held_l / litres_a_second(peak_m3_h)

    @property
    def held_l(self) -> float:
        """Litres between tap and output."""
        return self.response.volume_l + self.response.pipe_l


def budgets(site: Site) -> tuple[Budget, ...]:
    """Every way in which an interlock can trip, in the order of the file."""
    rows = [_budget(response) for response in responses(site)]
    firsts = _firsts(rows, site)
    return tuple(_helped(row, site, firsts) for row in rows)


def _budget(response: Response) -> Budget:
    if response.peak_m3_h is None:
        return Budget(response=response, race=Race.NONE, passes_l=None)
    a_second_l = litres_a_second(response.peak_m3_h)
    passes_l = response.safe_s * a_second_l - response.volume_l - response.pipe_l
    half_is_enough = response.safe_s * a_second_l <= HALF * (response.volume_l + response.pipe_l)
    race = Race.TOO_LATE if passes_l > 0 else (Race.FIRST if half_is_enough else Race.TIGHT)
    return Budget(response=response, race=race, passes_l=max(0.0, passes_l))


def _firsts(rows: list[Budget], site: Site) -> dict[str, Mapping[str, str]]:
    """Interlocks that are first in every way, with what they hold."""
    others = {row.response.interlock for row in rows if row.race in (Race.TOO_LATE, Race.NONE)}
    names = dict.fromkeys(row.response.interlock for row in rows)
    return {name: site.interlocks[name].effects for name in names if name not in others}


def _helped(row: Budget, site: Site, firsts: Mapping[str, Mapping[str, str]]) -> Budget:
    if row.race is not Race.TOO_LATE:
        return row
    effects = site.interlocks[row.response.interlock].effects.items()
    return replace(row, beaten_by=tuple(name for name, held in firsts.items() if effects <= held.items()))


def stretches(response: Response) -> tuple[Stretch, ...]:
    """Everything an interlock takes, in the order in which it comes."""
    return (
        Stretch(key="sample_line", text="sample line", lasts_s=response.line_s, remedy="a faster or shorter one"),
        Stretch(key="t90", text="T90 of the instrument", lasts_s=response.t90_s, remedy="a faster instrument"),
        Stretch(key="poll", text="poll", lasts_s=response.poll_s, remedy="polled more often"),
        Stretch(key="reply", text="reply", lasts_s=response.reply_s + response.retry_s),
        Stretch(key="delay", text="delay", lasts_s=response.delay_s, remedy="a shorter one"),
        Stretch(key="scan", text="scan", lasts_s=response.scan_s),
        Stretch(key="write", text="write", lasts_s=response.wait_s + response.write_s),
        Stretch(key="stroke", text="stroke", lasts_s=response.stroke_s, remedy="a faster drive"),
    )


def remedies(row: Budget) -> Iterator[str]:
    """What would help a rule that is too late, in the order in which to think of it; nothing for any other."""
    response = row.response
    if row.race is not Race.TOO_LATE or response.peak_m3_h is None:
        return
    a_second_l = litres_a_second(response.peak_m3_h)
    if row.beaten_by:
        yield (
            f"a rule further up that sees the same trouble sooner; {', '.join(row.beaten_by)} hold the same and act "
            "before the water is there"
        )
    yield (
        f"a tap further up: {response.safe_s * a_second_l:.0f} L before the output would just do, "
        f"{response.safe_s * a_second_l / HALF:.0f} L would leave half to spare (now {row.held_l:g} L)"
    )
    parts = [part for part in stretches(response) if part.remedy and part.lasts_s > 0]
    for part in sorted(parts, key=lambda one: -one.lasts_s):
        yield f"{part.text} of {part.lasts_s:g} s: {part.remedy} saves at most {part.lasts_s * a_second_l:.0f} L"
    if all(part.lasts_s * a_second_l < (row.passes_l or 0.0) for part in parts):
        yield "none of the last by itself is enough"
