"""Days of the demo site in the direct gear: every reading, as the record holds it, and every event.

The plant is simulated and the decisions are the gateway's own; calculated tags
come when they are recorded. Nothing is stored and nothing sent here.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from gateway.configuration.plant import LoadedSite
from gateway.core.outcome import EventKind
from gateway.core.sample import NoNumber, Sample, Text
from gateway.field.calculated_samples import CalculatedSamples
from gateway.publishers.payload import SampleRow
from simulator.almanac import SECOND_MS
from simulator.direct import DAYS_SCAN_S, DirectRun
from simulator.events import Event

MINUTE_MS = 60 * SECOND_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Minute:
    """What came in a minute.

    Args:
        rows: readings, ascending in n.
        events: kinds of the events decided.
        utc_ms: at its end.
    """

    rows: list[SampleRow]
    events: list[EventKind]
    utc_ms: int


def minutes(site: LoadedSite, event: Event, hours: float, *, seed: int = 1) -> Iterator[Minute]:
    """The plant's time from the beginning of an event, minute by minute.

    Args:
        site: the site that decides.
        event: what goes wrong.
        hours: how long.
        seed: of the plant's noise.
    """
    run = DirectRun(site, event, seed=seed, scan_ms=round(DAYS_SCAN_S * SECOND_MS))
    calculated = CalculatedSamples(run.gear.rules.plant.calculated)
    n, told = 0, 0
    for _ in range(round(hours * 60)):
        rows: list[SampleRow] = []
        end_ms = run.plant.now_ms + MINUTE_MS
        while run.plant.now_ms < end_ms:
            run.run_to(run.plant.now_ms + round(DAYS_SCAN_S * SECOND_MS))
            for sample in (*run.gear.taken, *calculated.due(run.gear.outcome.verdicts, run.gear.clock.now())):
                n += 1
                rows.append(row_of(n, sample))
        yield Minute(rows=rows, events=[one.event.kind for one in run.told[told:]], utc_ms=run.gear.clock.now().utc_ms)
        told = len(run.told)


def row_of(n: int, sample: Sample) -> SampleRow:
    """A sample as the uplink has it when it has unpacked the record."""
    match sample.reading:
        case NoNumber(reason):
            return SampleRow(n=n, tag=sample.tag, utc_ms=sample.source_utc_ms, quality="bad", reason=reason.value)
        case Text(text):
            return SampleRow(n=n, tag=sample.tag, utc_ms=sample.source_utc_ms, value=text)
        case number:
            return SampleRow(
                n=n,
                tag=sample.tag,
                utc_ms=sample.source_utc_ms,
                quality=number.quality.value,
                reason=number.reason.value,
                value=number.value,
            )
