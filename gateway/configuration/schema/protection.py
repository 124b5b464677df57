"""Outputs, the interlocks that hold them, and what gives them back."""

from typing import Literal

from pydantic import Field

from gateway.configuration.schema.conditions import ConditionKeys
from gateway.configuration.schema.keys import Keys, Name, PositiveSeconds, Register, Seconds, Text


class Proof(Keys):
    """The position that proves a safe level."""

    tag: Name = Field(description="Tag of the position.")
    value: float = Field(default=1.0, description="What it reads when proven.")


class Starts(Keys):
    """How often what an output lets run may start; away from its safe level is a start."""

    min_off_s: Seconds = Field(default=0.0, description="Seconds it must have stood at its safe level before a start.")
    most: int | None = Field(default=None, ge=1, le=1_000, description="Starts in the window at most; null for any.")
    window_min: float = Field(default=60.0, gt=0, le=1_440, description="Minutes, until now, in which starts count.")


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
    stroke_s: Seconds = Field(
        default=0.0, description="Seconds from the written level until what it moves stands at the safe level."
    )
    peak_m3_h: float | None = Field(
        default=None,
        gt=0,
        description="Highest flow of the water that it lets through, in m3/h; null takes the top of the range of the "
        "flow that an exposure names.",
    )
    starts: Starts | None = Field(default=None, description="How often it may leave its safe level, for a motor.")
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
    commissioning_roles: tuple[Name, ...] = Field(
        min_length=1,
        description="Roles that may let the gateway write for the first time; until then it only observes.",
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
    pipe_l: float = Field(
        default=0.0,
        ge=0,
        description="Further litres between them, gone within seconds: an exposure counts them as passed, "
        "the budget as held back.",
    )
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
    returns_because: str = Field(
        default="",
        max_length=400,
        description="Why an unlatched one may give back by itself what it took, in words; no unlatched one without it.",
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
    bypass_roles: tuple[Name, ...] = Field(
        default=(), description="Roles that may put it aside; empty for every person of the site."
    )
    bypass_second_roles: tuple[Name, ...] = Field(
        default=(),
        description="Roles of which a second person must confirm that it is put aside; empty where one is enough.",
    )
    bypass_remote_allowed: bool = Field(default=False, description="Whether it may be put aside from afar.")
    shadow: bool = Field(
        default=False, description="Whether it is only watched: judged and reported, and acting on nothing."
    )
    hold_after_restart: bool = Field(
        default=False, description="Whether an untripped one comes back from a restart latched."
    )
    exposure: Exposure | None = Field(
        default=None, description="Water between tap and output, to compute what may have passed."
    )


class Holds(Keys):
    """Which instruments people may hold, to calibrate or to clean them, and what comes of it."""

    tags: tuple[Name, ...] = Field(
        min_length=1, description="Readings that may be held, by their own name or together by that of their device."
    )
    roles: tuple[Name, ...] = Field(min_length=1, description="Roles that may hold them.")
    remote_allowed: bool = Field(default=False, description="Whether a hold may be announced and ended from afar.")
    max_s: PositiveSeconds = Field(default=14_400.0, description="Seconds until the planned end at most.")
    grace_s: Seconds = Field(
        default=1_800.0, description="Seconds past the planned end after which a held reading is a bad one."
    )
    settle_s: Seconds = Field(
        default=0.0, description="Seconds after the end of a hold in which the reading does not count yet."
    )
    needs_entry: bool = Field(
        default=False,
        description="Whether a hold can be ended only after a check of what is held, or a note about it, was entered.",
    )


class Flush(Keys):
    """Water that must have been flushed since the trip."""

    tag: Name = Field(description="Tag of the flow that is integrated, in m3/h.")
    volume_m3: float = Field(gt=0, description="Cubic metres that replace a grab sample.")
    no_sample_after: tuple[Name, ...] = Field(
        default=(),
        description="Interlocks after which no grab sample replaces them, since the water is still on its way.",
    )


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
