"""What the gateway would read about its own machine: one small file a figure, beside the clock page.

A real site controller finds clock offset, radio field strength, wear of its
disk and temperature in files that its operating system and its modem keep. The
simulated machine keeps the same ones, so that the gateway's own tags have
something to read. Decides what stands in them; never what the gateway makes of it.
"""

import math
import shutil
from pathlib import Path

from simulator.almanac import DAY_MS, SECOND_MS
from simulator.plant import Plant

FIGURES_FOLDER = "figures"
RENEWED_EVERY_MS = 15 * SECOND_MS
RSSI_DBM, RSSI_FADES_DBM, RSSI_LOST_DBM = -87.0, 4.0, -113.0
FADES_MS = 41 * 60 * SECOND_MS
OFFSET_S = 0.03
DISK_FIRST_PERCENT, DISK_PER_DAY_PERCENT = 6.0, 0.02
TEMPERATURE_C, TEMPERATURE_SWINGS_C = 31.0, 3.0


def figures(plant: Plant) -> dict[str, float]:
    """File name to what stands in it, in the unit the name says. The clock's offset is against the network's time."""
    now_ms, wrong = plant.now_ms, plant.faults
    fades = math.sin(2 * math.pi * now_ms / FADES_MS)
    afternoon = -math.cos(2 * math.pi * now_ms / DAY_MS)
    return {
        "clock_offset_s": round(OFFSET_S * fades - wrong.network_ahead_s, 3),
        "rssi_dbm": RSSI_LOST_DBM if wrong.link_lost else round(RSSI_DBM + RSSI_FADES_DBM * fades, 1),
        "disk_wear_percent": round(DISK_FIRST_PERCENT + DISK_PER_DAY_PERCENT * (now_ms - plant.started_ms) / DAY_MS, 2),
        "temperature_c": round(TEMPERATURE_C + TEMPERATURE_SWINGS_C * afternoon, 1),
    }


class Figures:
    """The files.

    Args:
        folder: where they lie; made when missing.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._due_ms = 0

    def renew(self, plant: Plant) -> None:
        """Write them, if it is time to."""
        if plant.now_ms >= self._due_ms:
            self.write(plant)

    def write(self, plant: Plant) -> None:
        """Each whole or not at all: who reads one finds a number."""
        self._due_ms = plant.now_ms + RENEWED_EVERY_MS
        self._folder.mkdir(exist_ok=True)
        for name, value in figures(plant).items():
            draft = self._folder / f".{name}"
            draft.write_text(f"{value}\n", encoding="ascii")
            draft.replace(self._folder / name)

    def clear(self) -> None:
        """Take them away."""
        shutil.rmtree(self._folder, ignore_errors=True)
