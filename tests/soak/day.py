"""Days of the demo site in the direct gear: every reading, as the record holds it, and every event.

The plant is simulated and the decisions are the gateway's own; calculated tags
come when they are recorded. Nothing is stored and nothing sent here.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from gateway.configuration.plant import LoadedSite
from gateway.core.outcome import Event as Said
from gateway.core.sample import NoNumber, Sample, Text
from gateway.field.calculated_samples import CalculatedSamples
from gateway.publishers.payload import SampleRow
from simulator.almanac import SECOND_MS
from simulator.direct import DAYS_SCAN_S, DirectRun
from simulator.events import Event

MINUTE_MS = 60 * SECOND_MS
_SCAN_MS = round(DAYS_SCAN_S * SECOND_MS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Minute:
    """What came in a minute.

    Args:
        samples: with calculated ones.
        first_n: number of the first; they are counted from 1 over all minutes.
        events: what was decided.
        utc_ms: at its end.
    """

    samples: list[Sample]
    first_n: int
    events: list[Said]
    utc_ms: int

    def rows(self) -> list[SampleRow]:
        """The readings as the uplink has them when it has unpacked the record."""
        return [_row(n, sample) for n, sample in enumerate(self.samples, self.first_n)]


def minutes(site: LoadedSite, event: Event, hours: float, *, seed: int = 1) -> Iterator[Minute]:
    """The plant's time from the beginning of an event, minute by minute.

    Args:
        site: the site that decides.
        event: what goes wrong.
        hours: how long.
        seed: of the plant's noise.
    """
    run = DirectRun(site, event, seed=seed, scan_ms=_SCAN_MS)
    calculated = CalculatedSamples(run.gear.rules.plant.calculated)
    first_n, told = 1, 0
    for _ in range(round(hours * 60)):
        samples: list[Sample] = []
        end_ms = run.plant.now_ms + MINUTE_MS
        while run.plant.now_ms < end_ms:
            run.run_to(run.plant.now_ms + _SCAN_MS)
            samples += (*run.gear.taken, *calculated.due(run.gear.outcome.verdicts, run.gear.clock.now()))
        events = [one.event for one in run.told[told:]]
        yield Minute(samples=samples, first_n=first_n, events=events, utc_ms=run.gear.clock.now().utc_ms)
        first_n, told = first_n + len(samples), len(run.told)


def _row(n: int, sample: Sample) -> SampleRow:
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
