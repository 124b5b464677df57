"""Alarms: when, how urgent, and what a person is to do."""

from typing import Literal, Self

from pydantic import Field, model_validator

from gateway.configuration.schema.conditions import ConditionKeys
from gateway.configuration.schema.keys import Keys, Name, PositiveSeconds, Seconds, Text


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
    alarm_class: str = Field(
        default="",
        max_length=40,
        description="Alarms with the same rules of testing, training and reporting (ISA-18.2), such as permit.",
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


class ProcessUnit(Keys):
    """A part of the plant that can fail as one: a supply, a line, a device, a step of the treatment."""

    service: Text = Field(description="What it is, in words.")
    needs: tuple[Name, ...] = Field(
        default=(), description="Units it cannot do without: its power, its line, the units upstream."
    )
    alarms: tuple[Name, ...] = Field(default=(), description="Alarms that tell that something is wrong with it.")


class CauseGrouping(Keys):
    """When alarms along the process graph are one event."""

    late_cause_s: Seconds = Field(
        default=60.0, description="Seconds by which an alarm upstream may begin later than what it causes."
    )
    settles_s: Seconds = Field(
        default=600.0, description="Seconds after the last alarm of a group in which another still belongs to it."
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
