"""Settings of the receivers upstream from the site's keys, secrets fetched. Decides nothing."""

from pathlib import Path

from gateway.configuration.plant import resolve_secret
from gateway.configuration.schema import Influx, Mqtt, Secret
from gateway.publishers.influx import InfluxSettings
from gateway.publishers.mqtt import MqttSettings, Tls
from gateway.publishers.payload import topic_prefix


def mqtt_settings(mqtt: Mqtt, *, site: str, folder: Path) -> MqttSettings:
    """Of the office broker.

    Raises:
        Refused: a secret is not to be had.
    """
    return MqttSettings(
        host=mqtt.host,
        port=mqtt.port,
        client_id=mqtt.client_id,
        topic_prefix=topic_prefix(mqtt.topic_root, site),
        username=_secret(mqtt.username, folder),
        password=_secret(mqtt.password, folder),
        tls=_tls(mqtt, folder),
        keepalive_s=mqtt.keepalive_s,
        window=mqtt.window,
        message_limit_bytes=mqtt.message_limit_bytes,
    )


def influx_settings(influx: Influx, *, site: str, folder: Path) -> InfluxSettings:
    """Of the server for line protocol.

    Raises:
        Refused: a secret is not to be had.
    """
    return InfluxSettings(
        url=influx.url,
        organisation=influx.organisation,
        bucket=influx.bucket,
        measurement=influx.measurement,
        site=site,
        token=_secret(influx.token, folder),
        ca_file=folder / influx.ca_file if influx.ca_file is not None else None,
        timeout_s=influx.timeout_s,
        read_back_api=influx.read_back.api if influx.read_back is not None else None,
        read_back_url=influx.read_back.url if influx.read_back is not None else None,
    )


def _secret(secret: Secret | None, folder: Path) -> str | None:
    return resolve_secret(secret, folder) if secret is not None else None


def _tls(mqtt: Mqtt, folder: Path) -> Tls | None:
    if mqtt.tls is None:
        return None
    certificate, key = mqtt.tls.certificate_file, mqtt.tls.key_file
    return Tls(
        ca_file=folder / mqtt.tls.ca_file,
        certificate_file=folder / certificate if certificate is not None else None,
        key_file=folder / key if key is not None else None,
    )
