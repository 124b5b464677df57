"""From the words of a planned block to the numbers and texts of its tags.

Decides which words belong to which tag; what to read together is decided by
``gateway.configuration.poll_plan``. Never reads and never waits.
"""

import math
from collections.abc import Iterator, Sequence

from gateway.configuration.poll_plan import PlannedBlock, Slot
from gateway.drivers.modbus.codec import Encoding, decoder


class BlockReader:
    """Takes the words of one planned block apart, as often as it is read.

    Args:
        planned: the block.
    """

    def __init__(self, planned: PlannedBlock) -> None:
        self._block = planned.block
        self._slots = [
            (slot.tag, slot.offset, slot.offset + slot.count, decoder(_encoding_of(slot))) for slot in planned.slots
        ]

    def samples_of(self, words_read: Sequence[int]) -> Iterator[tuple[str, float | int | str, tuple[int, ...]]]:
        """Takes a reply apart.

        Args:
            words_read: its registers or bits, exactly ``planned.block.count`` of them.

        Yields:
            name of the tag, raw number or text (NaN where the words hold none, such as a BCD digit above 9), raw words.

        Raises:
            ValueError: another count of words; the driver never hands that out.
        """
        if len(words_read) != self._block.count:
            raise ValueError(f"{self._block} brings {self._block.count} words, got {len(words_read)}")
        for tag, first, end, decoded in self._slots:
            raw = tuple(words_read[first:end])
            try:
                number = decoded(raw)
            except ValueError:
                number = math.nan
            yield tag, number, raw


def _encoding_of(slot: Slot) -> Encoding:
    string_registers = slot.count if slot.type == "string" else 0
    return Encoding(slot.type, slot.byte_order, string_registers, slot.bit_field)
