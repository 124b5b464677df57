"""All rows of the fault campaign, by the word they are asked for with."""

from tests.faults import (
    row_damaged_files,
    row_disk,
    row_hostile_devices,
    row_killed_delivering,
    row_killed_writer,
    row_tampering,
)
from tests.faults.frame import Row

ROWS: dict[str, Row] = {
    "killed-delivering": row_killed_delivering.ROW,
    "killed-writer": row_killed_writer.ROW,
    "damaged-files": row_damaged_files.ROW,
    "disk-full": row_disk.FULL,
    "start-on-full-disk": row_disk.START_ON_FULL,
    "disk-refuses": row_disk.REFUSING,
    "tampered-record": row_tampering.STOPPED,
    "tampered-killed-record": row_tampering.KILLED,
    "tampered-export": row_tampering.EXPORTED,
    "hostile-devices": row_hostile_devices.ROW,
}
