"""What people enter afterwards: results of a laboratory, checks of instruments, reasons of gaps."""

from pydantic import Field

from gateway.configuration.schema.keys import Keys, Name, Text


class InstrumentCheck(Keys):
    """How an instrument is checked against a standard."""

    band: Text = Field(
        description="How far it may read from the standard, such as '0.1 mg/L or 15 %'; the wider part counts."
    )
    every_d: float = Field(
        default=0.0, ge=0, le=3_660, description="Days from one check until the next is due; 0 for none."
    )
    grab_quantity: Name | None = Field(
        default=None, description="Quantity of grab samples that is a check of it; null for none."
    )


class Entries(Keys):
    """What people can enter afterwards."""

    roles: tuple[Name, ...] = Field(
        default=(), description="Roles that may enter it; none for every person of the people table."
    )
    laboratory: dict[Name, Text] = Field(
        default_factory=dict, description="Parameters of laboratory results, each with its unit."
    )
    checks: dict[Name, InstrumentCheck] = Field(
        default_factory=dict, description="Instruments that are verified and calibrated, by tag."
    )
    gap_codes: dict[Name, Text] = Field(
        default_factory=dict, description="Codes for the reasons of missing data, and their words."
    )
