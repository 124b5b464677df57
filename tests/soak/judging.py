"""What a soak has shown, as a record with a verdict for each promise. Pure."""

from typing import Any

from tests.soak.flat import trend_of
from tests.soak.sockets import PROCESSES, Soaked

MEMORY_MAY_GAIN = 0.03  # of itself, over the judged time
HANDLES_MAY_GAIN = 0.5
AT_REST_BYTES = 4.0  # a sample, at most
NOT_JOINED_BYTES = 100_000  # the last ten minutes lie as they were committed, some 9 octets a sample
FILE_PART = 1.3  # of what is in it: pages that are not full, indexes
FILE_BYTES = 1_000_000  # and what a database takes that holds nothing
METER_PART = 0.02  # by which the gateway's count may differ from the proxy's

Verdicts = dict[str, Any]


def judged(soaked: Soaked) -> Verdicts:
    """The figures and, under ``kept``, what was kept of the promises."""
    memory = {
        name: trend_of(soaked.at_s, soaked.memory[name], allowed=MEMORY_MAY_GAIN * max(soaked.memory[name]))
        for name in PROCESSES
    }
    handles = {name: trend_of(soaked.at_s, soaked.handles[name], allowed=HANDLES_MAY_GAIN) for name in PROCESSES}
    content = soaked.chunk_bytes + soaked.journal_bytes
    kept = {
        "memory flat": all(one.flat for one in memory.values()),
        "file handles flat": all(one.flat for one in handles.values()),
        "database as computed": soaked.file_bytes <= FILE_PART * content + FILE_BYTES
        and soaked.chunk_bytes <= AT_REST_BYTES * soaked.samples + NOT_JOINED_BYTES,
        "no gap at the office": not soaked.missing,
        "record and messages in order": not soaked.faults,
        "data counted right": abs(soaked.metered - soaked.counted) <= METER_PART * soaked.counted,
    }
    return {
        "hours": round(soaked.at_s[-1] / 3_600, 3),
        "plant_hours": round(soaked.plant_s / 3_600, 1),
        "rate": soaked.rate,
        "events_struck": soaked.struck,
        "memory_mb": {name: round(one.mean / 1e6, 2) for name, one in memory.items()},
        "memory_gain_mb_an_hour": {name: round(one.per_hour / 1e6, 3) for name, one in memory.items()},
        "memory_gained_mb": {name: round(one.gained / 1e6, 3) for name, one in memory.items()},
        "file_handles": {name: [min(soaked.handles[name]), max(soaked.handles[name])] for name in PROCESSES},
        "samples": soaked.samples,
        "bytes_a_sample": round(soaked.chunk_bytes / max(1, soaked.samples), 2),
        "journal_lines": soaked.journal,
        "journal_bytes": soaked.journal_bytes,
        "database_bytes": soaked.file_bytes,
        "not_yet_sent_at_the_stop": soaked.behind,
        "doubles": soaked.doubles,
        "missing": soaked.missing[:10],
        "faults": soaked.faults[:10],
        "octets_counted": soaked.counted,
        "octets_by_the_gateway": soaked.metered,
        "kept": kept,
    }
