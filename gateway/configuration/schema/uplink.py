"""Where records and alarms go, and where secrets are kept."""

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from gateway.configuration.schema.keys import Keys, Name, Port, Text, Word


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
        default=120,
        ge=5,
        le=3600,
        description="Seconds of silence after which the broker is asked whether it is there; below history_interval_s"
        " that costs more data than the readings.",
    )
    window: int = Field(default=20, ge=1, le=1000, description="Messages under way without an acknowledgement at most.")
    message_limit_bytes: int = Field(default=60_000, ge=1_000, le=1_000_000, description="Size of a message at most.")
    history_interval_s: float = Field(
        default=60.0, ge=1, le=3600, description="Seconds of readings put into one message."
    )
    month_mb: float | None = Field(
        default=30.0,
        ge=1,
        le=100_000,
        description="Megabytes (10^6 octets, headers and encryption included) of a calendar month; from nine tenths of"
        " it on readings wait for the next month, and events, messages and the state alone go on. null for a link that"
        " is not metered.",
    )
    live_interval_s: float | None = Field(
        default=None,
        ge=1,
        le=3600,
        description="Seconds between messages with the newest values; null sends none, history then tells them.",
    )


class ReadBack(Keys):
    """How a reading that was sent is fetched again, to see that the server kept it."""

    api: Literal["promql", "flux"] = Field(description="Query interface: promql is /api/v1/query, flux /api/v2/query.")
    url: Text | None = Field(default=None, description="Where it is asked; null asks the server that is written to.")
    interval_s: float = Field(
        default=300.0, ge=10, le=86_400, description="Seconds from one such check to the next; the first comes at once."
    )


class Influx(Keys):
    """A server that takes line protocol by the InfluxDB version 2 write interface."""

    url: Text = Field(description="Address of the server, such as https://history.example:8086.")
    organisation: Text = Field(default="site", description="Organisation at the server.")
    bucket: Text = Field(description="Bucket that is written to.")
    token: Secret | None = Field(default=None, description="Where the token is kept; null for none.")
    ca_file: Text | None = Field(
        default=None, description="Certificate authority the server is checked against; null takes the system's."
    )
    measurement: Word = Field(default="reading", description="Measurement under which readings are written.")
    timeout_s: float = Field(default=10.0, ge=1, le=300, description="Seconds to wait for the server.")
    batch_rows: int = Field(default=5_000, ge=1, le=50_000, description="Readings in one request at most.")
    interval_s: float = Field(default=60.0, ge=1, le=3600, description="Seconds of readings put into one request.")
    read_back: ReadBack | None = Field(
        description="How it is seen that readings were kept; null trusts the server's word, which many do not deserve."
    )


class Uplink(Keys):
    """Where records and alarms go."""

    mqtt: Mqtt | None = Field(default=None, description="The office broker; null keeps everything at the site.")
    influx: Influx | None = Field(default=None, description="A server for line protocol; null for none.")
