"""All rows of the fault campaign, by the word they are asked for with."""

from tests.faults import row_damaged_files, row_hostile_devices, row_killed_delivering, row_killed_writer
from tests.faults.frame import Row

ROWS: dict[str, Row] = {
    "killed-delivering": row_killed_delivering.ROW,
    "killed-writer": row_killed_writer.ROW,
    "damaged-files": row_damaged_files.ROW,
    "hostile-devices": row_hostile_devices.ROW,
}
