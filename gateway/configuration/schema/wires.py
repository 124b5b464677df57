"""Connections and the devices behind them."""

from typing import Annotated, Literal

from pydantic import Field

from gateway.configuration.schema.keys import Keys, Name, Port, Text

BaudRate = Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200]


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
    single: bool = Field(
        default=False, description="Whether the far end allows one connection only, so that nothing else may open one."
    )


class NetworkConnection(ConnectionKeys):
    """A connection over TCP."""

    transport: Literal["tcp", "rtu_over_tcp"] = Field(
        description="Framing: tcp is Modbus TCP, rtu_over_tcp is RTU frames through a TCP socket."
    )
    host: Text = Field(description="Name or address of the device or converter.")
    port: Port = Field(default=502, description="TCP port.")
    line_baud_rate: BaudRate | None = Field(
        default=None,
        description="Bits per second on the line behind a converter, for the poll plan; null for none.",
    )


class SerialConnection(ConnectionKeys):
    """A serial line with RTU framing."""

    transport: Literal["rtu"] = Field(description="Framing: rtu is RTU frames on a serial line.")
    device: Text = Field(description="Path of the serial port.")
    baud_rate: BaudRate = Field(default=9600, description="Bits per second on the line.")
    parity: Literal["none", "even", "odd"] = Field(default="even", description="Parity of the line.")
    stop_bits: Literal[1, 2] = Field(default=1, description="Stop bits of the line.")


Connection = Annotated[NetworkConnection | SerialConnection, Field(discriminator="transport")]
"""Type of ``Site.connections`` values; make a ``NetworkConnection`` or a ``SerialConnection``."""


class TestConstant(Keys):
    """A number that the device always shows, by which its byte order and its map are proven."""

    tag: Name = Field(description="Tag of the device that reads the constant.")
    value: float = Field(description="What it reads, in the tag's unit.")
    tolerance: float = Field(default=0.0, ge=0, description="Difference that rounding may make, in the tag's unit.")


class DeviceManners(Keys):
    """What devices of one kind have in common: how their manual counts and what they put up with."""

    manual_counts_from: int = Field(
        default=0,
        ge=0,
        le=499_999,
        description="Number the device's manual gives to address 0 (0, 1, 30001, 40001 ...); for people only.",
    )
    longest_read: int = Field(default=125, ge=1, le=125, description="Most registers the device hands out in one read.")
    longest_bit_read: int = Field(
        default=2_000, ge=1, le=2_000, description="Most coils or discrete inputs the device hands out in one read."
    )
    largest_hole: int = Field(
        default=8,
        ge=0,
        le=124,
        description="Most registers or bits read in vain between two tags, and only those of other declared tags.",
    )
    pause_s: float = Field(
        default=0.0, ge=0, le=10, description="Seconds of silence the device needs before a request of its own."
    )
    reply_s: float = Field(
        default=0.05, ge=0, le=30, description="Seconds the device usually takes to reply; for the poll plan only."
    )


class Device(DeviceManners):
    """One unit behind a connection."""

    service: Text = Field(description="What the device is, in words.")
    connection: Name = Field(description="Connection it is reached by.")
    unit_id: int = Field(ge=0, le=255, description="Unit id on that connection.")
    map: Name | None = Field(
        default=None, description="Register map of its kind, a file under maps/; null when each tag says all itself."
    )
    test_constant: TestConstant | None = Field(
        default=None,
        description="Constant read first on every connection; the whole device is refused while it reads wrong.",
    )
