"""From the words of a planned block to the numbers and texts of its tags.

Decides which words belong to which tag; what to read together is decided by
``gateway.configuration.poll_plan``. Never reads and never waits.
"""

import math
from collections.abc import Iterator, Sequence
from functools import cache

from gateway.configuration.poll_plan import PlannedBlock, Slot
from gateway.drivers.modbus.codec import Encoding, decode


def samples_of(
    planned: PlannedBlock, words_read: Sequence[int]
) -> Iterator[tuple[str, float | int | str, tuple[int, ...]]]:
    """Takes a block apart.

    Args:
        planned: the block that was read.
        words_read: its registers or bits, exactly ``planned.block.count`` of them.

    Yields:
        name of the tag, raw number or text (NaN where the words hold none, such as a BCD digit above 9), raw words.

    Raises:
        ValueError: another count of words; the driver never hands that out.
    """
    if len(words_read) != planned.block.count:
        raise ValueError(f"{planned.block} brings {planned.block.count} words, got {len(words_read)}")
    for slot in planned.slots:
        raw = tuple(words_read[slot.offset : slot.offset + slot.count])
        yield slot.tag, _decoded(raw, _encoding_of(slot)), raw


@cache
def _encoding_of(slot: Slot) -> Encoding:
    string_registers = slot.count if slot.type == "string" else 0
    return Encoding(slot.type, slot.byte_order, string_registers, slot.bit_field)


def _decoded(raw: tuple[int, ...], encoding: Encoding) -> float | int | str:
    try:
        return decode(raw, encoding)
    except ValueError:
        return math.nan
