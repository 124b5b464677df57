"""Who is there: one cheap read for each unit id, and some more where somebody answers.

Decides what counts as proof of a device: an answer, and a refusal just as well.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from gateway.drivers.driver import Block, Table
from gateway.probe.asking import Line, Outcome, Reply

_SEVERAL = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit id that was asked.

    Args:
        unit_id: which.
        reply: what counts; not garbled unless every request was.
        stray: something else came before the reply, such as a late reply of another unit.
    """

    unit_id: int
    reply: Reply
    stray: bool = False

    @property
    def there(self) -> bool:
        """Whether a device is proven."""
        return self.reply.outcome in (Outcome.ANSWERS, Outcome.REFUSES)


async def scan_units(
    line: Line, unit_ids: Sequence[int], *, table: Table, address: int, told: Callable[[Unit], None]
) -> None:
    """Ask every unit id, telling each as it is known.

    After something that was no reply, two registers are asked for: the driver
    takes no reply of a shape that an earlier request may still be owed.

    Raises:
        NotConnected: the connection cannot be opened, or not again.
    """
    for unit_id in unit_ids:
        block = Block(unit_id=unit_id, table=table, address=address, count=1)
        first = await line.read(block)
        reply = await line.read(replace(block, count=2)) if first.outcome is Outcome.GARBLED else first
        unit = Unit(unit_id=unit_id, reply=reply, stray=reply is not first)
        if unit.there and not unit.stray:
            for _ in range(_SEVERAL - 1):
                await line.read(block)
        told(unit)
