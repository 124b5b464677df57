"""Named points: read from a device, computed from others, or about the gateway itself."""

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from gateway.configuration.schema.keys import (
    REGISTERS,
    BadReason,
    Bit,
    ByteOrder,
    Keys,
    Name,
    PositiveSeconds,
    Register,
    Seconds,
    TableName,
    Text,
    TypeName,
    Word,
)
from gateway.core.expression import LONGEST


class Loop(Keys):
    """A 4-20 mA loop read as counts; the bands around it follow NAMUR NE 43."""

    low_count: int = Field(ge=-32_768, le=65_535, description="Count at 4 mA, the bottom of the range.")
    high_count: int = Field(ge=-32_768, le=65_535, description="Count at 20 mA, the top of the range.")


class ValidWhenKeys(Keys):
    """The reading means something only while another tag is at least a minimum."""

    tag: Name = Field(description="Tag that vouches for this one, such as a sample flow.")
    minimum: float = Field(description="Below this, in that tag's unit, this reading means nothing.")
    invalid_after_s: Seconds = Field(default=0.0, description="Seconds it must be below without a break.")
    purge_s: Seconds = Field(
        default=0.0, description="Seconds this reading stays bad after the flow is back, until fresh water has arrived."
    )


class BadWhenKeys(Keys):
    """The reading is bad while a status bit stands, or while a status tag has one of some values."""

    tag: Name = Field(description="Status tag.")
    bits: tuple[Bit, ...] = Field(
        default=(), description="Bits of it, bit 0 is the lowest; any of them makes this reading bad."
    )
    values: tuple[float, ...] = Field(default=(), description="Values of it; any of them makes this reading bad.")
    reason: BadReason = Field(default="device_fault", description="What that means for this reading.")

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        if bool(self.bits) == bool(self.values):
            found = "bits and values" if self.bits else "neither bits nor values"
            raise ValueError(f"{found}|exactly one of bits, values")
        return self


class HoldWhenKeys(Keys):
    """The tag is held while another reads 1."""

    tag: Name = Field(description="Tag that reads 1 while this one is held.")
    limit_s: PositiveSeconds = Field(description="Seconds after which a hold counts as bad.")


class SpikeKeys(Keys):
    """A jump that is not believed at once."""

    step: float = Field(gt=0, description="A jump from one reading to the next by more than this, in the unit.")
    confirm_s: PositiveSeconds = Field(
        description="Seconds the new level must last; until then the reading counts and is marked uncertain."
    )


class PartnerKeys(Keys):
    """Another tag that should show about the same."""

    tag: Name = Field(description="The other tag, of the same unit.")
    deviation: float = Field(gt=0, description="Difference from which on they contradict each other, in the unit.")
    after_s: Seconds = Field(
        default=0.0, description="Seconds they must contradict each other before the reading is marked uncertain."
    )


class BitField(Keys):
    """Some bits of a register as a number of their own."""

    first: Bit = Field(description="Lowest bit of the field; bit 0 is the lowest of the register.")
    count: int = Field(ge=1, le=32, description="Bits in the field.")


class PointKeys(Keys):
    """What every named point has, wherever its value comes from."""

    service: Text = Field(description="What it measures or shows, in words.")
    unit: str = Field(default="", max_length=20, description="Engineering unit, empty for states and counts.")
    range: tuple[float, float] | None = Field(default=None, description="Bottom and top of the span, in the unit.")
    uncertain_counts: bool = Field(
        default=True, description="Whether an uncertain reading may be used by alarms and interlocks."
    )
    states: dict[int, Text] = Field(
        default_factory=dict, description="What its whole numbers mean, in words; any other number is no reading."
    )
    bit_names: dict[Bit, Text] = Field(
        default_factory=dict, description="What its bits mean, in words; bit 0 is the lowest."
    )
    report_deadband: float = Field(
        default=0.0, ge=0, description="A change of at most this much, in the unit, is not reported upstream."
    )
    report_at_least_s: PositiveSeconds = Field(
        default=3_600.0, description="Seconds after which it is reported upstream even without a change."
    )


class Tag(PointKeys):
    """One named point of the plant, read from a device."""

    point: Name | None = Field(
        default=None, description="Point of the device's register map that it is; keys given here go before the map's."
    )
    device: Name = Field(description="Device it is read from.")
    table: TableName = Field(description="Modbus table: coil, discrete (input), holding or input (register).")
    address: Register = Field(description="Address, zero-based, as on the wire.")
    manual: str = Field(
        default="", max_length=40, description="Number of the first register in the device's manual, as printed there."
    )
    type: TypeName = Field(description="How the registers are to be read.")
    byte_order: ByteOrder = Field(default="ABCD", description="Order of the bytes as sent; ABCD is high word first.")
    string_registers: int | None = Field(
        default=None, ge=1, le=60, description="Registers of a string, two characters each; needed by that type alone."
    )
    bit_field: BitField | None = Field(
        default=None, description="Bits of the register that are meant; null takes all of it."
    )
    clips_at_top: bool = Field(default=False, description="Whether a reading at the top means at least so much.")
    clips_at_bottom: bool = Field(default=False, description="Whether a reading at the bottom means at most so much.")
    scale: float = Field(default=1.0, description="Engineering value of one raw count.")
    offset: float = Field(default=0.0, description="Engineering value at raw 0, in the unit.")
    sentinels: tuple[float, ...] = Field(
        default=(), description="Raw values by which the device says that it has none."
    )
    loop: Loop | None = Field(default=None, description="Counts of a 4-20 mA loop; needs a range.")
    poll_interval_s: float = Field(ge=0.1, le=86_400, description="Seconds from one reading to the next.")
    hurried_interval_s: float | None = Field(
        default=None, ge=0.1, le=86_400, description="Seconds between readings while an output waits for its proof."
    )
    stale_after_s: PositiveSeconds | None = Field(
        default=None,
        description="Seconds after which a reading is too old to be used; null takes three poll intervals.",
    )
    rolls_over_at: float | None = Field(
        default=None,
        gt=0,
        description="Engineering value at which a total begins again from 0; null when it never does.",
    )
    valid_when: tuple[ValidWhenKeys, ...] = Field(
        default=(), description="Tags that must be at least a minimum for this reading to mean something."
    )
    bad_when: tuple[BadWhenKeys, ...] = Field(default=(), description="Status bits that make this reading bad.")
    hold_when: HoldWhenKeys | None = Field(default=None, description="Tag that holds this one.")
    frozen_after_s: PositiveSeconds | None = Field(
        default=None,
        description="Seconds without a movement after which the reading counts as frozen; null does not judge.",
    )
    frozen_band: float = Field(default=0.0, ge=0, description="A movement of at most this much, in the unit, is none.")
    spike: SpikeKeys | None = Field(default=None, description="Jumps that are not believed at once; null for none.")
    partners: tuple[PartnerKeys, ...] = Field(
        default=(), description="Tags that should show about the same; a contradiction makes this reading uncertain."
    )
    sample_line_s: Seconds = Field(
        default=0.0, description="Seconds that the water takes through the sample line to the instrument."
    )
    t90_s: Seconds = Field(default=0.0, description="Seconds until the instrument shows nine tenths of a step.")

    @property
    def registers(self) -> int:
        """Registers (or bits) this tag takes."""
        return (self.string_registers or 1) if self.type == "string" else REGISTERS[self.type]

    @property
    def is_text(self) -> bool:
        """Whether it reads text; a string of unknown length is a fault of its own and no text yet."""
        return self.type == "string" and self.string_registers is not None

    @property
    def interval_s(self) -> float:
        """Seconds from one reading to the next."""
        return self.poll_interval_s

    @property
    def stale_limit_s(self) -> float:
        """Seconds after which a reading is too old, with the default filled in."""
        return 3 * self.poll_interval_s if self.stale_after_s is None else self.stale_after_s


CONSTANT_PATTERN = r"^[-+]?[0-9]+(\.[0-9]+)?([eE][-+]?[0-9]+)?( [^ ]{1,20})?$"


class CalculatedTag(PointKeys):
    """A point that is computed from others at every scan."""

    inputs: dict[Word, Name] = Field(min_length=1, description="Words of the formula and the tags they stand for.")
    constants: dict[Word, Annotated[str, StringConstraints(pattern=CONSTANT_PATTERN)]] = Field(
        default_factory=dict, description="Words of the formula and fixed numbers with their units, such as 4.50 m3."
    )
    formula: Annotated[str, StringConstraints(min_length=1, max_length=LONGEST)] = Field(
        description="The computation, in the expression language of DEVELOPERS.md; its unit must come out as declared."
    )
    record_interval_s: float = Field(
        default=15.0, ge=1, le=86_400, description="Seconds from one record of its value to the next."
    )

    @property
    def interval_s(self) -> float:
        """Seconds from one computation to the next as far as delays are concerned: it follows its inputs at once."""
        return 0.0


OwnFigure = Literal[
    "line_open",
    "line_failed_percent",
    "line_busy_percent",
    "device_silent_s",
    "device_failed_percent",
    "device_reply_ms",
    "rows_waiting",
    "record_failing_s",
    "checks_overdue",
    "file",
]


class OwnTag(PointKeys):
    """A point about the gateway itself: the health of a connection or a device, its buffer, a figure of its machine."""

    figure: OwnFigure = Field(description="What is told; those of a line or a device are about the one named by of.")
    of: Name | None = Field(default=None, description="Connection or device that it is about; null for the others.")
    file: Text | None = Field(
        default=None,
        description="File that holds the number for figure file, absolute or relative to the figures folder.",
    )
    scale: float = Field(default=1.0, description="Engineering value of one in the file.")
    offset: float = Field(default=0.0, description="Engineering value at 0 in the file, in the unit.")
    read_interval_s: float = Field(
        default=15.0, ge=1, le=86_400, description="Seconds from one value to the next; stale after three."
    )

    @property
    def interval_s(self) -> float:
        """Seconds from one reading to the next."""
        return self.read_interval_s

    @property
    def stale_limit_s(self) -> float:
        """Seconds after which a reading is too old."""
        return 3 * self.read_interval_s
