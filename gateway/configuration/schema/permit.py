"""The permit of a site, criteria as data, and which tags its operating record is made of."""

from datetime import date
from typing import Literal

from pydantic import Field

from gateway.configuration.schema.keys import Keys, Name, PositiveSeconds, Text

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class Substitute(Keys):
    """What may stand in for a monitor that fails, and for how long."""

    every_h: float = Field(gt=0, le=24, description="Grab samples are at most so far apart.")
    at_most_h: float = Field(gt=0, le=2_400, description="For so long from the failure.")


class Limit(Keys):
    """One limit of a criterion or permit."""

    parameter: Text = Field(description="What is limited; a quantity of the record where the site measures it.")
    statistic: Name = Field(description="How it is computed, such as mean_24h, time_above, max_any_time.")
    limit: float | None = Field(default=None, description="The figure; null where it is no number (see the text).")
    text: str = Field(default="", max_length=200, description="The limit in words where it is no number, such as ND.")
    unit: str = Field(default="", max_length=40, description="Unit of the figure.")
    window: str = Field(default="", max_length=80, description="Over what time or how many samples.")
    allowed_fraction: float | None = Field(default=None, ge=0, le=1, description="Part of the time or samples.")
    use: str = Field(default="", max_length=200, description="Class of water or use it is meant for.")
    applies_to: str = Field(default="", max_length=200, description="Treatment or condition it is meant for.")
    source: Text = Field(description="Clause it comes from.")
    seen: bool = Field(description="Whether the source was seen; false for a figure that is recalled.")
    note: str = Field(default="", max_length=300, description="What else is known about it.")
    readings_every_h: float | None = Field(default=None, gt=0, le=24, description="Spacing of readings that count.")
    substitute: Substitute | None = Field(default=None, description="What may stand in for a failed monitor.")
    valid_from: date | None = Field(default=None, strict=False, description="First day it holds; null for ever since.")
    valid_until: date | None = Field(default=None, strict=False, description="Last day it holds; null for no end.")


class Criteria(Keys):
    """A criteria file."""

    jurisdiction: Text = Field(description="Whose criteria these are.")
    limits: dict[Name, tuple[Limit, ...]] = Field(description="Limits by name, each in its versions by date.")


class Permit(Keys):
    """The permit of the site; a limit of the same name takes the place of that of the criteria."""

    id: Text = Field(description="Its number.")
    criteria: Text | None = Field(default=None, description="Criteria file, from the site folder; null for none.")
    use: tuple[Name, ...] = Field(default=(), description="Names of the criteria's limits that hold; none for all.")
    limits: dict[Name, tuple[Limit, ...]] = Field(default_factory=dict, description="Limits by name, by date.")
    report_due_day: int = Field(default=10, ge=1, le=28, description="Day of the next month the report is due.")
    certification: str = Field(
        default="", max_length=4_000, description="Certification in the regulator's words; empty for the program's own."
    )
    telephone_within_min: float = Field(
        default=60, gt=0, le=10_080, description="Minutes within which delivery out of the limits is told by telephone."
    )


class Quantity(Keys):
    """One column of the record."""

    tag: Name = Field(description="The tag whose readings it is made of.")
    parameter: Text = Field(description="What it is in the words of the limits.")
    digits: int = Field(default=2, ge=0, le=6, description="Digits after the point where it is printed.")
    during: Literal["producing", "delivering"] = Field(
        default="producing", description="When it has to be measured, and its limits hold."
    )
    longest_s: PositiveSeconds = Field(default=60, description="How long a reading may stand for.")
    to_valve_m3: float = Field(
        default=0, ge=0, le=10_000, description="Water between the instrument and the product valve."
    )
    beside: tuple[Name, ...] = Field(default=(), description="Tags whose readings at the smallest value are told.")
    peak_over_s: PositiveSeconds | None = Field(
        default=None, description="Length of the means of which the largest is told, by the clock; null for none."
    )
    grab: Name | None = Field(
        default=None, description="Quantity of a grab sample that may stand in where a limit says so; null for none."
    )


class Total(Keys):
    """A volume of the record."""

    total: Name = Field(description="Totaliser, m3.")
    flow: Name | None = Field(default=None, description="Flow, m3/h, for where the totaliser is missing.")


class Standing(Keys):
    """A state that a tag tells."""

    tag: Name = Field(description="The tag.")
    at_least: float = Field(description="It is so from this value on.")
    longest_s: PositiveSeconds = Field(default=60, description="How long a reading may stand for.")


class Store(Keys):
    """A tank that ordinarily stays empty."""

    level: Name = Field(description="Its level, per cent.")
    volume_m3: float = Field(gt=0, description="Its volume.")
    used_above_percent: float = Field(default=2.0, ge=0, le=100, description="Above this it counts as used.")
    service: Text = Field(description="What it is.")


class Chemical(Keys):
    """A chemical in a tank."""

    level: Name = Field(description="Level of its tank.")
    delivered_as: Text = Field(description="What deliveries of it are entered as.")


class Sampling(Keys):
    """Laboratory samples that the permit asks for."""

    parameter: Name = Field(description="Parameter of the laboratory results.")
    limits_parameter: Text = Field(description="What it is in the words of the limits.")
    days: tuple[Weekday, ...] = Field(description="Days of the week on which a sample is due.")


class Record(Keys):
    """What the operating record is made of."""

    quantities: dict[Name, Quantity] = Field(default_factory=dict, description="Columns by name.")
    totals: dict[Name, Total] = Field(default_factory=dict, description="Volumes by name.")
    producing: Standing | None = Field(default=None, description="When the plant produces.")
    delivering: Standing | None = Field(default=None, description="When the product valve is proven open.")
    diverting: Standing | None = Field(default=None, description="When it is proven at divert.")
    valve_flow: Name | None = Field(
        default=None, description="Flow towards the product valve, m3/h; by it the water of to_valve_m3 is followed."
    )
    make_up_total: Name | None = Field(default=None, description="Name of the volume of drinking water made up.")
    supplied_total: Name | None = Field(default=None, description="Name of the volume that users got, with make-up.")
    chemicals: dict[Name, Chemical] = Field(default_factory=dict, description="Chemicals by name.")
    diverted_total: Name | None = Field(default=None, description="Name of the volume that is diverted.")
    product_output: Name | None = Field(default=None, description="Output whose trips and releases divert.")
    stores: dict[Name, Store] = Field(default_factory=dict, description="Tanks whose use is told.")
    sampling: tuple[Sampling, ...] = Field(default=(), description="Laboratory samples.")
