"""Every key of a site folder, declared once: type, unit (in the name), range, default, a sentence.

Decides what a single value may be. What two values mean to each other is
decided by ``crosscheck``; where a fault stands in the file is found by
``reading``. Documents and ``config/schema.json`` are generated from here.
"""

import json
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,39}$")]
SiteId = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
Text = Annotated[str, StringConstraints(min_length=1, max_length=400, strip_whitespace=True)]
Seconds = Annotated[float, Field(ge=0, le=31_536_000)]
PositiveSeconds = Annotated[float, Field(gt=0, le=31_536_000)]
Port = Annotated[int, Field(ge=1, le=65_535)]
Register = Annotated[int, Field(ge=0, le=65_535)]
Bit = Annotated[int, Field(ge=0, le=63)]

TableName = Literal["coil", "discrete", "holding", "input"]
TypeName = Literal[
    "bool", "uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64", "bcd48"
]  # one register each for 16 bits; a bool is a bit of the coil or discrete table
ByteOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]
BadReason = Literal["hold", "device_fault", "no_sample_flow", "sentinel", "loop_fault", "out_of_range"]

REGISTERS: dict[str, int] = {
    "bool": 1,
    "uint16": 1,
    "int16": 1,
    "uint32": 2,
    "int32": 2,
    "float32": 2,
    "bcd48": 3,
    "uint64": 4,
    "int64": 4,
    "float64": 4,
}
"""Registers (or bits, for ``bool``) that a type takes, by its name."""


class Keys(BaseModel):
    """Root of all models: no coercion, no unknown keys, no NaN, no change after reading."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, frozen=True)


# --- the site and the place it runs ----------------------------------------------------------------------------


class SiteKeys(Keys):
    """What belongs to the site as a whole."""

    id: SiteId = Field(description="Short name of the site; part of every record and topic, never changed later.")
    name: Text = Field(description="Name of the site as people say it.")
    time_zone: str = Field(description="Time zone of the IANA database in which the site's days and hours are shown.")
    scan_period_s: float = Field(
        default=1.0, ge=0.1, le=10, description="Seconds from one pass of the decisions to the next."
    )
    commit_interval_s: float = Field(
        default=10.0, ge=1, le=60, description="Seconds of readings that may be lost in a power cut."
    )
    clock_step_s: float = Field(
        default=1.0, gt=0, le=3600, description="A jump of the wall clock of at least this many seconds is journaled."
    )
    keep_days: float = Field(
        default=400.0, ge=1, le=36_500, description="Days for which readings stay on the site controller at least."
    )
    offer_s: float = Field(
        default=120.0, ge=10, le=900, description="Seconds in which the second step of a release must follow the first."
    )


class Place(Keys):
    """What belongs to the machine the site runs on."""

    storage_folder: Text = Field(
        default="record", description="Folder of the databases, absolute or relative to the site folder."
    )
    socket: Text = Field(
        default="record/field.sock", description="Path of the local socket, absolute or relative to the site folder."
    )
    record_limit_mb: float = Field(
        default=4_000.0,
        ge=50,
        le=1_000_000,
        description="Megabytes the record may use before readings that are old and delivered are let go.",
    )
    simulated_clock: Text | None = Field(
        default=None, description="Clock page of a simulated plant; null for the real clock."
    )


class Person(Keys):
    """One person (or one post that several persons fill)."""

    role: Name = Field(description="Role of the person, one of the roles of the site.")
    local_users: tuple[Annotated[int, Field(ge=0, le=4_294_967_294)], ...] = Field(
        default=(), description="Numbers of the local user accounts that may act as this person."
    )


# --- connections and devices -----------------------------------------------------------------------------------


class ConnectionKeys(Keys):
    """What every connection has, whatever carries it."""

    connect_timeout_s: float = Field(
        default=3.0, ge=0.1, le=60, description="Seconds to wait until the connection stands."
    )
    reply_timeout_s: float = Field(default=0.5, ge=0.05, le=30, description="Seconds to wait for a reply.")
    quiet_after_timeout_s: float = Field(
        default=0.3,
        ge=0,
        le=10,
        description="Seconds of silence after a missing reply, so that a late one cannot be taken for the next.",
    )
    pause_s: float = Field(default=0.0, ge=0, le=10, description="Seconds of silence between two requests.")


class NetworkConnection(ConnectionKeys):
    """A connection over TCP."""

    transport: Literal["tcp", "rtu_over_tcp"] = Field(
        description="Framing: tcp is Modbus TCP, rtu_over_tcp is RTU frames through a TCP socket."
    )
    host: Text = Field(description="Name or address of the device or converter.")
    port: Port = Field(default=502, description="TCP port.")


class SerialConnection(ConnectionKeys):
    """A serial line with RTU framing."""

    transport: Literal["rtu"] = Field(description="Framing: rtu is RTU frames on a serial line.")
    device: Text = Field(description="Path of the serial port.")
    baud_rate: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] = Field(
        default=9600, description="Bits per second on the line."
    )
    parity: Literal["none", "even", "odd"] = Field(default="even", description="Parity of the line.")
    stop_bits: Literal[1, 2] = Field(default=1, description="Stop bits of the line.")


Connection = Annotated[NetworkConnection | SerialConnection, Field(discriminator="transport")]
"""Type of ``Site.connections`` values; make a ``NetworkConnection`` or a ``SerialConnection``."""


class Device(Keys):
    """One unit behind a connection."""

    service: Text = Field(description="What the device is, in words.")
    connection: Name = Field(description="Connection it is reached by.")
    unit_id: int = Field(ge=0, le=255, description="Unit id on that connection.")
    manual_counts_from: int = Field(
        default=0,
        ge=0,
        le=499_999,
        description="Number the device's manual gives to address 0 (0, 1, 30001, 40001 ...); for people only.",
    )
    longest_read: int = Field(default=125, ge=1, le=125, description="Most registers the device hands out in one read.")


# --- tags ------------------------------------------------------------------------------------------------------


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
    """The reading is bad while a status bit stands."""

    tag: Name = Field(description="Status tag.")
    bits: tuple[Bit, ...] = Field(
        min_length=1, description="Bits of it, bit 0 is the lowest; any of them makes this reading bad."
    )
    reason: BadReason = Field(default="device_fault", description="What that means for this reading.")


class HoldWhenKeys(Keys):
    """The tag is held while another reads 1."""

    tag: Name = Field(description="Tag that reads 1 while this one is held.")
    limit_s: PositiveSeconds = Field(description="Seconds after which a hold counts as bad.")


class Tag(Keys):
    """One named point of the plant."""

    service: Text = Field(description="What it measures or shows, in words.")
    device: Name = Field(description="Device it is read from.")
    table: TableName = Field(description="Modbus table: coil, discrete (input), holding or input (register).")
    address: Register = Field(description="Address, zero-based, as on the wire.")
    manual: str = Field(
        default="", max_length=40, description="Number of the first register in the device's manual, as printed there."
    )
    type: TypeName = Field(description="How the registers are to be read.")
    byte_order: ByteOrder = Field(default="ABCD", description="Order of the bytes as sent; ABCD is high word first.")
    unit: str = Field(default="", max_length=20, description="Engineering unit, empty for states and counts.")
    range: tuple[float, float] | None = Field(default=None, description="Bottom and top of the span, in the unit.")
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
    uncertain_counts: bool = Field(
        default=True, description="Whether an uncertain reading may be used by alarms and interlocks."
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

    @property
    def registers(self) -> int:
        """Registers (or bits) this tag takes."""
        return REGISTERS[self.type]

    @property
    def stale_limit_s(self) -> float:
        """Seconds after which a reading is too old, with the default filled in."""
        return 3 * self.poll_interval_s if self.stale_after_s is None else self.stale_after_s


# --- conditions ------------------------------------------------------------------------------------------------


class LimitKeys(Keys):
    """A limit on one tag."""

    tag: Name = Field(description="Tag that is compared.")
    limit: float = Field(description="Limit, in the tag's unit; in condition beyond it.")
    deadband: float = Field(default=0.0, ge=0, description="How far back before it clears, in the tag's unit.")


class EqualsKeys(Keys):
    """A tag at exactly one value."""

    tag: Name = Field(description="Tag that is compared.")
    value: float = Field(default=1.0, description="Value at which the condition holds.")


class BitsKeys(Keys):
    """Bits of a status tag."""

    tag: Name = Field(description="Status tag.")
    bits: tuple[Bit, ...] = Field(
        min_length=1, description="Bits, bit 0 is the lowest; any of them makes the condition hold."
    )


class MismatchKeys(Keys):
    """Command and feedback that differ."""

    command: Name = Field(description="Tag of the command.")
    feedback: Name = Field(description="Tag of the feedback.")


class NoChangeKeys(Keys):
    """A tag that stands still."""

    tag: Name = Field(description="Tag that must move.")
    band: float = Field(default=0.0, ge=0, description="A movement of at most this much, in the tag's unit, is none.")
    after_s: PositiveSeconds = Field(description="Seconds without a movement from which on the condition holds.")


class BadQualityKeys(Keys):
    """A tag without a usable value."""

    tag: Name = Field(description="Tag whose quality is watched.")


class DeviationKeys(Keys):
    """Two tags that differ."""

    tag: Name = Field(description="First tag.")
    other: Name = Field(description="Second tag, of the same unit.")
    limit: float = Field(gt=0, description="Difference beyond which the condition holds, in their unit.")
    deadband: float = Field(default=0.0, ge=0, description="How far back before it clears, in their unit.")


class UnprovenKeys(Keys):
    """An output commanded safe that does not prove it."""

    output: Name = Field(description="Output that is commanded.")
    tag: Name = Field(description="Tag of the position.")
    expected: float = Field(default=1.0, description="What the tag reads when the safe position is proven.")


class TrippedKeys(Keys):
    """An interlock whose cause stands and that is tripped."""

    interlock: Name = Field(description="Interlock that is watched.")


class UnwritableKeys(Keys):
    """An output whose level does not read back."""

    output: Name = Field(description="Output that is watched.")


class ConditionKeys(Keys):
    """One question about the plant: exactly one of these keys."""

    high: LimitKeys | None = Field(default=None, description="Holds above a limit.")
    low: LimitKeys | None = Field(default=None, description="Holds below a limit.")
    equals: EqualsKeys | None = Field(default=None, description="Holds at exactly one value.")
    bits: BitsKeys | None = Field(default=None, description="Holds while any of some bits stands.")
    mismatch: MismatchKeys | None = Field(default=None, description="Holds while command and feedback differ.")
    no_change: NoChangeKeys | None = Field(default=None, description="Holds while a tag stands still.")
    bad_quality: BadQualityKeys | None = Field(default=None, description="Holds while a tag has no usable value.")
    rate: LimitKeys | None = Field(default=None, description="Holds while the change per minute is above a limit.")
    deviation: DeviationKeys | None = Field(default=None, description="Holds while two tags differ.")
    unproven: UnprovenKeys | None = Field(
        default=None, description="Holds while an output is commanded safe and not proven."
    )
    tripped: TrippedKeys | None = Field(
        default=None, description="Holds while an interlock is tripped and its cause stands."
    )
    unwritable: UnwritableKeys | None = Field(
        default=None, description="Holds while an output does not read back as written."
    )

    @property
    def kind(self) -> str:
        """Name of the key that is given."""
        return next(kind for kind in CONDITION_KINDS if getattr(self, kind) is not None)

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        given = [kind for kind in CONDITION_KINDS if getattr(self, kind) is not None]
        if len(given) != 1:
            raise ValueError(f"{' and '.join(given) or 'nothing'}|exactly one of {', '.join(CONDITION_KINDS)}")
        return self


CONDITION_KINDS = tuple(ConditionKeys.model_fields)


# --- outputs and interlocks ------------------------------------------------------------------------------------


class Proof(Keys):
    """The position that proves a safe level."""

    tag: Name = Field(description="Tag of the position.")
    value: float = Field(default=1.0, description="What it reads when proven.")


class Output(Keys):
    """One thing the gateway may hold at a level."""

    service: Text = Field(description="What it moves, in words.")
    register_tag: Name = Field(
        alias="register", description="Tag of the register it is written to; one of the output block."
    )
    levels: dict[Name, Register] = Field(
        min_length=2, description="Level names and the register values that mean them."
    )
    safe_level: Name = Field(description="Level in doubt.")
    normal_level: Name = Field(description="Level when nothing stands against it.")
    resume_level: str = Field(
        default="", description="Level shown for a time after a release, before the normal one; empty for none."
    )
    resume_s: Seconds = Field(default=0.0, description="Seconds for which the resume level is shown.")
    permit: bool = Field(
        default=True,
        description="True for a permission (withdrawn at every start), false for a stop code (idle at a start).",
    )
    proof: Proof | None = Field(default=None, description="Position that proves the safe level.")
    return_after_s: Seconds = Field(
        default=600.0,
        description="Seconds of good data on every critical input before it returns by itself after a start.",
    )
    return_within_s: Seconds = Field(
        default=60.0,
        description="It returns by itself only when the last record is younger than this, in the same boot.",
    )


class OutputBlock(Keys):
    """The one block of registers the gateway writes."""

    connection: Name = Field(description="Connection to the controller.")
    device: Name = Field(description="Device of the controller.")
    heartbeat: Name = Field(description="Tag of the register that counts up with every write.")
    registers: tuple[Name, ...] = Field(
        min_length=1, max_length=123, description="Tags of the block, in the order of their addresses."
    )
    period_s: float = Field(
        default=5.0, ge=0.5, le=60, description="Seconds from one write to the next when nothing changes."
    )


class CauseKeys(Keys):
    """One way to trip."""

    inputs: tuple[ConditionKeys, ...] = Field(min_length=1, description="Conditions that vote.")
    needed: int = Field(default=1, ge=1, le=20, description="How many of them make the vote.")
    trip_delay_s: Seconds = Field(description="Seconds the vote must stand.")
    bad: Literal["vote_trip", "drop", "elsewhere"] = Field(
        default="vote_trip",
        description="What a bad input does: votes to trip, leaves the vote, or is watched by another interlock.",
    )
    bad_trip_delay_s: Seconds | None = Field(
        default=None, description="Seconds a vote made with bad inputs must stand; null takes the trip delay."
    )


class Exposure(Keys):
    """How far the water is from the tap to the output."""

    flow: Name = Field(description="Tag of the flow towards the output, in m3/h.")
    volume_l: float = Field(default=0.0, ge=0, description="Litres between the tap and the output.")
    stopped_by: Name | None = Field(
        default=None, description="Output whose safe level, once read back, ends the flow as well; null for none."
    )


class Interlock(Keys):
    """Stops or prevents an operation while a cause holds."""

    service: Text = Field(description="What it protects against, in words.")
    causes: tuple[CauseKeys, ...] = Field(min_length=1, description="Ways to trip; any of them does.")
    effects: dict[Name, Name] = Field(
        default_factory=dict, description="Outputs and the levels at which they are held while tripped."
    )
    latched: bool = Field(default=True, description="Whether it stays until a person releases.")
    restore_delay_s: Seconds = Field(
        default=0.0, description="Seconds without a cause after which an unlatched one returns."
    )
    reset_hold_s: Seconds = Field(default=0.0, description="Seconds the cause must have been gone before a reset.")
    permissives: tuple[ConditionKeys, ...] = Field(
        default=(), description="Conditions that must hold for a direct reset."
    )
    bypassable: bool = Field(default=True, description="Whether it may be put aside for a time.")
    bypass_max_s: PositiveSeconds | None = Field(
        default=None,
        description="Seconds a bypass may last; null takes 1800 when it withdraws a permission, else 28800.",
    )
    hold_after_restart: bool = Field(
        default=False, description="Whether an untripped one comes back from a restart latched."
    )
    exposure: Exposure | None = Field(
        default=None, description="Water between tap and output, to compute what may have passed."
    )


# --- releases --------------------------------------------------------------------------------------------------


class Flush(Keys):
    """Water that must have been flushed since the trip."""

    tag: Name = Field(description="Tag of the flow that is integrated, in m3/h.")
    volume_m3: float = Field(gt=0, description="Cubic metres that replace a grab sample.")


class GrabLimit(Keys):
    """A figure a grab sample must show."""

    quantity: Name = Field(description="Quantity, one of the grab quantities of the site.")
    service: str = Field(default="", max_length=80, description="The quantity in words.")
    at_most: float | None = Field(
        default=None, description="Highest figure that is accepted, in the unit of the quantity."
    )
    at_least: float | None = Field(
        default=None, description="Lowest figure that is accepted, in the unit of the quantity."
    )


class RequirementKeys(ConditionKeys):
    """A condition that must hold, with its words."""

    text: Text = Field(description="The condition as it stands in the tick list.")


class Release(Keys):
    """What must be true before an output is given back."""

    clear_s: Seconds = Field(description="Seconds for which the causes of the latched interlocks must have been gone.")
    exempt: tuple[Name, ...] = Field(default=(), description="Interlocks that do not stand in the way.")
    flush: Flush | None = Field(default=None, description="Flushed volume that replaces a grab sample.")
    grab: tuple[GrabLimit, ...] = Field(default=(), description="What a grab sample taken since the trip must show.")
    requirements: tuple[RequirementKeys, ...] = Field(default=(), description="Conditions that must hold.")
    roles: tuple[Name, ...] = Field(min_length=1, description="Roles that may release.")
    remote_allowed: bool = Field(default=False, description="Whether it may be done from afar at all.")
    local_only_after: tuple[Name, ...] = Field(
        default=(), description="Interlocks after which it may be done on site only."
    )
    after_outputs: tuple[Name, ...] = Field(default=(), description="Outputs that must be released before this one.")


# --- alarms ----------------------------------------------------------------------------------------------------


class SuppressWhenKeys(Keys):
    """Logic that silences an alarm: a tag at a value, or another alarm."""

    tag: Name | None = Field(default=None, description="Tag that silences it.")
    equals: float = Field(default=1.0, description="Value of the tag at which it does.")
    alarm: Name | None = Field(default=None, description="Alarm that silences it while active and visible.")

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        if (self.tag is None) == (self.alarm is None):
            found = "neither tag nor alarm" if self.tag is None else "tag and alarm"
            raise ValueError(f"{found}|exactly one of tag, alarm")
        return self


class Alarm(Keys):
    """One alarm: when, how urgent, and what a person is to do."""

    condition: ConditionKeys = Field(description="When it is in condition.")
    priority: Literal["P1", "P2", "P3"] = Field(
        description="P1 wakes someone, P2 is for the same day, P3 for the next visit."
    )
    says: Text = Field(description="The state in plain words, as it stands in a message.")
    cause: Text = Field(description="What usually causes it.")
    consequence: Text = Field(description="What happens if nobody acts.")
    action: Text = Field(description="What the person is to do.")
    respond_within_min: float = Field(gt=0, le=44_640, description="Minutes in which the action must begin.")
    value: str = Field(
        default="", description="Tag whose value belongs into the message; empty takes the tag of the condition."
    )
    on_delay_s: Seconds = Field(default=0.0, description="Seconds the condition must hold before it alarms.")
    off_delay_s: Seconds = Field(default=0.0, description="Seconds the condition must be gone before it returns.")
    latched: bool = Field(default=False, description="Whether it stays until a person resets it.")
    on_bad: Literal["hold", "as_alarm"] = Field(
        default="hold", description="What a bad input means: the alarm stays as it is, or it counts as in condition."
    )
    suppress_when: SuppressWhenKeys | None = Field(default=None, description="Logic that silences it.")
    release_delay_s: Seconds = Field(
        default=0.0, description="Seconds after the logic ends until it can be heard again."
    )
    shelvable: bool = Field(default=True, description="Whether an operator may silence it for a time.")
    max_shelve_s: PositiveSeconds = Field(default=28_800.0, description="Seconds for which it may be silenced at most.")
    realarm_s: PositiveSeconds | None = Field(
        default=None,
        description="Seconds after the acknowledgement when it calls again while still active; null never.",
    )


class AlarmFigures(Keys):
    """When the alarms together, or one of them, deserve a line of their own in the journal."""

    flood_window_min: float = Field(default=10.0, gt=0, le=1440, description="Minutes over which a flood is counted.")
    flood_above: int = Field(default=10, ge=1, description="More annunciations than this in the window begin a flood.")
    flood_below: int = Field(default=5, ge=0, description="Fewer than this in the window end it.")
    chatter_window_s: PositiveSeconds = Field(default=60.0, description="Seconds over which one alarm is counted.")
    chatter_count: int = Field(default=3, ge=2, description="So many annunciations of one alarm are chattering.")
    stale_after_h: float = Field(
        default=24.0, gt=0, le=8760, description="Hours after which an alarm that is still active counts as standing."
    )


# --- uplink ----------------------------------------------------------------------------------------------------


class Secret(Keys):
    """Where a secret is kept; the secret itself never stands in a site folder."""

    file: Text | None = Field(default=None, description="File that holds it, absolute or relative to the site folder.")
    environment: Annotated[str, StringConstraints(pattern=r"^[A-Z_][A-Z0-9_]*$")] | None = Field(
        default=None, description="Environment variable that holds it."
    )

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        if (self.file is None) == (self.environment is None):
            found = "neither file nor environment" if self.file is None else "file and environment"
            raise ValueError(f"{found}|exactly one of file, environment")
        return self


class Tls(Keys):
    """Certificates of the uplink."""

    ca_file: Text = Field(description="Certificate authority the broker's certificate is checked against.")
    certificate_file: Text | None = Field(default=None, description="Certificate of this site.")
    key_file: Text | None = Field(default=None, description="Private key of this site.")


class Mqtt(Keys):
    """The office broker (MQTT 5)."""

    host: Text = Field(description="Name or address of the broker.")
    port: Port = Field(default=8883, description="TCP port of the broker.")
    client_id: Name = Field(description="Client id at the broker; one per site.")
    topic_root: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_.-]+(/[A-Za-z0-9_.-]+)*$", max_length=80)] = (
        Field(default="purplegate", description="First part of every topic.")
    )
    username: Secret | None = Field(default=None, description="Where the user name is kept; null for none.")
    password: Secret | None = Field(default=None, description="Where the password is kept; null for none.")
    tls: Tls | None = Field(default=None, description="Certificates; null speaks in clear, for the loopback only.")
    keepalive_s: int = Field(
        default=30, ge=5, le=3600, description="Seconds of silence after which the broker is asked whether it is there."
    )
    window: int = Field(default=20, ge=1, le=1000, description="Messages under way without an acknowledgement at most.")
    message_limit_bytes: int = Field(default=60_000, ge=1_000, le=1_000_000, description="Size of a message at most.")
    history_interval_s: float = Field(
        default=60.0, ge=1, le=3600, description="Seconds of readings put into one message."
    )


class Uplink(Keys):
    """Where records and alarms go."""

    mqtt: Mqtt | None = Field(default=None, description="The office broker; null keeps everything at the site.")


# --- the whole -------------------------------------------------------------------------------------------------


class Site(Keys):
    """All files of a site folder together."""

    site: SiteKeys = Field(description="The site as a whole.")
    roles: dict[Name, Text] = Field(default_factory=dict, description="Roles of people and what they do.")
    people: dict[Name, Person] = Field(default_factory=dict, description="Persons, their roles and local users.")
    place: Place = Field(default_factory=Place, description="The machine it runs on.")
    connections: dict[Name, Connection] = Field(default_factory=dict, description="Connections by name.")
    devices: dict[Name, Device] = Field(default_factory=dict, description="Devices by name.")
    tags: dict[Name, Tag] = Field(default_factory=dict, description="Tags by name.")
    outputs: dict[Name, Output] = Field(default_factory=dict, description="Outputs by name.")
    output_block: OutputBlock | None = Field(default=None, description="The registers the gateway writes.")
    interlocks: dict[Name, Interlock] = Field(
        default_factory=dict, description="Interlocks by name, in the order in which they are judged."
    )
    releases: dict[Name, Release] = Field(default_factory=dict, description="Release rules, by output.")
    alarms: dict[Name, Alarm] = Field(
        default_factory=dict, description="Alarms by name, in the order in which they are judged."
    )
    alarm_figures: AlarmFigures = Field(
        default_factory=AlarmFigures, description="When floods, chattering and standing alarms are journaled."
    )
    first_out_groups: dict[Name, tuple[Name, ...]] = Field(
        default_factory=dict, description="Groups of alarms, each in the order of the cascade."
    )
    grab_quantities: dict[Name, Text] = Field(
        default_factory=dict, description="Quantities a grab sample may carry, and their words."
    )
    uplink: Uplink = Field(default_factory=Uplink, description="Where records and alarms go.")


def json_schema() -> str:
    """JSON Schema of a site folder taken as one document, for editors: the text of ``config/schema.json``."""
    return json.dumps(Site.model_json_schema(by_alias=True), indent=1, ensure_ascii=False) + "\n"
