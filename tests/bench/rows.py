"""All rows of the bench, by the letter they are asked for with."""

from tests.bench import (
    row_alarms,
    row_delivery,
    row_direct,
    row_growth,
    row_polling,
    row_processes,
    row_reaction,
    row_record,
    row_report,
    row_rolling,
    row_scan,
)
from tests.bench.frame import Row

ROWS: dict[str, Row] = {
    "a": Row("poll, validate, decode, scan, record, beside a bare pymodbus loop", row_polling.requests_a_second),
    "b": Row("processor time of a reading in the field process", row_polling.cpu_of_a_reading),
    "c": Row("scan time; alarms on 30 % of the tags, interlocks on 2 %", row_scan.scan_time),
    "c2": Row("alarm steps, beside an inlined loop of the same comparison with on-delay", row_alarms.alarm_steps),
    "d": Row("from reply received to permit write, beyond the configured delay", row_reaction.measure),
    "e": Row("bytes of a sample at rest, bytes written in a day, demo site", row_record.measure),
    "f": Row("from the store to broker and line server, beside the bare libraries", row_delivery.measure),
    "g": Row("processor and memory, start to first safe write, import; demo site", row_processes.measure),
    "h": Row("direct gear: plant and decisions as fast as they can be computed", row_direct.direct_gear),
    "i": Row("growth with devices and tags; linear is 1", row_growth.growth),
    "j": Row("rolling 24-hour mean, maximum, time above; beside pandas on arrays", row_rolling.rolling_day),
    "k": Row("a month of the demo from the store to the record as PDF", row_report.measure),
}
