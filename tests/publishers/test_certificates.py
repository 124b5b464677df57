"""Certificates outside their time: refused and said, and connected as soon as the time is right, without a restart.

A broker's certificate that is not valid yet is what a gateway sees whose clock is not set.
"""

import asyncio
import datetime as dt
import ipaddress
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

from gateway.publishers.mqtt import MqttPublisher, Tls
from gateway.publishers.publisher import Accepted
from tests.mosquitto import Broker, eventually
from tests.publishers.test_mqtt import event, settings

DAY = dt.timedelta(days=1)


def certificate(folder: Path, *, from_days: int, to_days: int) -> None:
    """The broker's own for 127.0.0.1, valid between so many days from now."""
    key = ec.generate_private_key(ec.SECP256R1())
    now, name = dt.datetime.now(dt.UTC), x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "broker")])
    place = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
    made = x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
    made = made.not_valid_before(now + from_days * DAY).not_valid_after(now + to_days * DAY)
    made = made.add_extension(place, critical=False).add_extension(x509.BasicConstraints(ca=True, path_length=0), True)
    signed = made.sign(key, hashes.SHA256())
    (folder / "broker.crt").write_bytes(signed.public_bytes(Encoding.PEM))
    plain = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    (folder / "broker.key").write_bytes(plain)


@pytest.mark.parametrize(
    ("from_days", "to_days", "said"), [(-9, -1, "certificate has expired"), (1, 9, "certificate is not yet valid")]
)
def test_out_of_its_time_it_is_refused_and_said_and_in_time_again_all_goes_on(
    from_days: int, to_days: int, said: str, tmp_path: Path
) -> None:
    certificate(tmp_path, from_days=from_days, to_days=to_days)
    running = Broker(tmp_path, f"certfile {tmp_path}/broker.crt", f"keyfile {tmp_path}/broker.key")
    reports: list[str] = []

    async def story() -> None:
        tls = Tls(ca_file=tmp_path / "broker.crt")
        publisher = MqttPublisher(
            settings(running.port, tls=tls), report=reports.append, pause=lambda _: asyncio.sleep(0.05)
        )
        connecting = asyncio.ensure_future(publisher.connect())
        await eventually(lambda: len(reports) >= 2)
        assert not publisher.connected
        assert all(said in one for one in reports)
        running.kill()
        certificate(tmp_path, from_days=-1, to_days=1)
        running.start()
        await asyncio.wait_for(connecting, 20.0)
        assert await publisher.deliver([event("late")]) == (Accepted(),)
        await publisher.close()

    running.start()
    try:
        asyncio.run(story())
    finally:
        running.kill()
