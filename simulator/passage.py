"""Water on its way through a pipe or tank in plug flow: what went in first comes out first. Pure.

Keeps what each parcel of water was when it went in, so that the litres out of
limits are counted where they arrive, to the litre, however the flow varies in
between. Decides nothing about limits: the parcel carries its mark.
"""

from dataclasses import dataclass
from typing import NamedTuple

LEAST_M3 = 1e-12


class Parcel(NamedTuple):
    """Some water of one kind.

    Args:
        volume_m3: how much.
        value: what it holds (NTU or mg/L), mean over the parcel.
        marked: out of limits when it went in.
    """

    volume_m3: float
    value: float
    marked: bool = False

    def mixed(self, other: "Parcel") -> "Parcel":
        """Both together, with the mean of their values."""
        volume_m3 = self.volume_m3 + other.volume_m3
        value = (self.value * self.volume_m3 + other.value * other.volume_m3) / volume_m3
        return Parcel(volume_m3, value, self.marked)


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """A full pipe.

    Args:
        grain_m3: parcels of one mark are joined up to this size, to keep the list short.
        parcels: oldest first; the last one is still growing.
        spent_m3: how much of the oldest has come out already.
    """

    grain_m3: float
    parcels: tuple[Parcel, ...]
    spent_m3: float = 0.0

    @property
    def outlet(self) -> Parcel:
        """The water that is about to come out."""
        return self.parcels[0]


def filled(volume_m3: float, *, value: float, grain_m3: float) -> Passage:
    """A passage full of one kind of water."""
    return Passage(grain_m3=grain_m3, parcels=(Parcel(volume_m3, value),))


def push(passage: Passage, entering: Parcel) -> tuple[Passage, tuple[Parcel, ...]]:
    """Push some water in; as much comes out at the other end.

    Returns:
        the passage afterwards and what came out, oldest first; nothing when nothing went in.
    """
    if entering.volume_m3 < LEAST_M3:
        return passage, ()
    parcels = _joined(passage.parcels, entering, grain_m3=passage.grain_m3)
    return _drained(passage.grain_m3, parcels, spent_m3=passage.spent_m3, wanted_m3=entering.volume_m3)


def _joined(parcels: tuple[Parcel, ...], entering: Parcel, *, grain_m3: float) -> tuple[Parcel, ...]:
    """The entering water, mixed into the youngest parcel while that is small and of the same mark."""
    youngest = parcels[-1]
    together = youngest.volume_m3 + entering.volume_m3 <= grain_m3 and youngest.marked == entering.marked
    if together and len(parcels) > 1:
        return (*parcels[:-1], youngest.mixed(entering))
    return (*parcels, entering)


def _drained(
    grain_m3: float, parcels: tuple[Parcel, ...], *, spent_m3: float, wanted_m3: float
) -> tuple[Passage, tuple[Parcel, ...]]:
    out: list[Parcel] = []
    gone = 0
    while wanted_m3 > LEAST_M3:
        oldest = parcels[gone]
        taken_m3 = min(wanted_m3, oldest.volume_m3 - spent_m3)
        out.append(Parcel(taken_m3, oldest.value, oldest.marked))
        wanted_m3 -= taken_m3
        spent_m3 += taken_m3
        if oldest.volume_m3 - spent_m3 < LEAST_M3 and gone + 1 < len(parcels):
            gone, spent_m3 = gone + 1, 0.0
    return Passage(grain_m3=grain_m3, parcels=parcels[gone:], spent_m3=spent_m3), tuple(out)
