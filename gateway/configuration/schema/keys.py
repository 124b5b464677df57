"""What every key has in common: the kinds of names and numbers, and the strict root of all models."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,39}$")]
Word = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,29}$")]  # a name inside a formula
SiteId = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
Text = Annotated[str, StringConstraints(min_length=1, max_length=400, strip_whitespace=True)]
Seconds = Annotated[float, Field(ge=0, le=31_536_000)]
PositiveSeconds = Annotated[float, Field(gt=0, le=31_536_000)]
Port = Annotated[int, Field(ge=1, le=65_535)]
Register = Annotated[int, Field(ge=0, le=65_535)]
Bit = Annotated[int, Field(ge=0, le=63)]

TableName = Literal["coil", "discrete", "holding", "input"]
TypeName = Literal[
    "bool",
    "uint16",
    "int16",
    "uint32",
    "int32",
    "uint64",
    "int64",
    "float32",
    "float64",
    "bcd16",
    "bcd32",
    "bcd48",
    "bcd64",
    "string",
]  # a bool is a bit of the coil or discrete table; a BCD register holds four digits; a string says its own length
ByteOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]
BadReason = Literal["hold", "device_fault", "no_sample_flow", "sentinel", "loop_fault", "out_of_range"]

REGISTERS: dict[str, int] = {
    "bool": 1,
    "uint16": 1,
    "int16": 1,
    "bcd16": 1,
    "uint32": 2,
    "int32": 2,
    "float32": 2,
    "bcd32": 2,
    "bcd48": 3,
    "uint64": 4,
    "int64": 4,
    "float64": 4,
    "bcd64": 4,
}
"""Registers (or bits, for ``bool``) that a type takes, by its name; a string is not in it."""


class Keys(BaseModel):
    """Root of all models: no coercion, no unknown keys, no NaN, no change after reading.

    A model is built when something is read into it, so that parts are built once, within the whole.
    """

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, frozen=True, defer_build=True)
