"""The site as a whole, the machine it runs on, and its people."""

from typing import Annotated

from pydantic import Field, StringConstraints

from gateway.configuration.schema.keys import Keys, Name, SiteId, Text


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
    changed_by: str = Field(
        default="", max_length=80, description="Who changed this configuration last; goes into the journal with it."
    )
    changed_because: str = Field(
        default="",
        max_length=200,
        description="Why, for this change; a text that stood there before signs no new change.",
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
    figures_folder: Text = Field(
        default="figures",
        description="Folder of the files with figures of the machine itself, absolute or relative to the site folder.",
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
    afar_key: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9+/]{43}=$")] | None = Field(
        default=None,
        description="Public key with which this person's requests from afar are checked; null lets nobody ask from"
        " there as this person.",
    )
