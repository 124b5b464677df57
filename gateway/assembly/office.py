"""One question from the office to a site, over its broker, and the answer. Signs nothing, decides nothing."""

import asyncio
import secrets
from dataclasses import replace

from gateway.configuration.plant import LoadedSite
from gateway.local import signed
from gateway.publishers.columns import Reader, Unreadable
from gateway.publishers.mqtt import Ears, MqttPublisher
from gateway.publishers.payload import JSON, Answer
from gateway.publishers.publisher import Accepted, Channel, Parcel
from gateway.uplink.receivers import mqtt_settings

CONNECTS_WITHIN_S = 20.0
ANSWERS_WITHIN_S = 60.0  # the line may be slow, and the answer comes after a commit

_ANSWER_LIMIT_BYTES = 65_536


class NoAnswer(Exception):  # noqa: N818 - named for what is the case
    """The site did not answer; the text says how far it came."""


def ask_site(loaded: LoadedSite, octets: bytes) -> Answer:
    """Send a signed request to a site and wait for its answer.

    Args:
        loaded: a copy of the site's folder; its secrets and certificates are the office's own.
        octets: the request (``signed.sign``).

    Raises:
        NoAnswer: no broker is declared, it cannot be reached, does not take the request, or nothing came back.
        Refused: a secret is not to be had.
    """
    return asyncio.run(_asked(loaded, octets))


async def _asked(loaded: LoadedSite, octets: bytes) -> Answer:
    keys, site = loaded.site.uplink.mqtt, loaded.site.site.id
    if keys is None:
        raise NoAnswer("the site declares no broker (uplink.mqtt), so it can be asked on site only")
    settings = mqtt_settings(keys, site=site, folder=loaded.folder)
    settings = replace(settings, client_id=f"ask-{secrets.token_hex(8)}")
    wanted, answer = signed.digest(octets), asyncio.get_running_loop().create_future()
    reports: list[str] = []

    def heard(body: bytes) -> None:
        found = _answer_in(body)
        if found is not None and found.request == wanted and not answer.done():
            answer.set_result(found)

    ears = Ears(channel=Channel.ANSWER, heard=heard, limit_bytes=_ANSWER_LIMIT_BYTES)
    publisher = MqttPublisher(settings, report=reports.append, ears=ears)
    try:
        await _connected(publisher, reports)
        await _handed_over(publisher, octets)
        return await asyncio.wait_for(answer, ANSWERS_WITHIN_S)
    except TimeoutError:
        raise NoAnswer(
            f"the broker took the request, and the site did not answer within {ANSWERS_WITHIN_S:g} s. It may have been"
            " carried out all the same: look at what the site sends before you ask anew"
        ) from None
    finally:
        await publisher.close()


async def _connected(publisher: MqttPublisher, reports: list[str]) -> None:
    try:
        await asyncio.wait_for(publisher.connect(), CONNECTS_WITHIN_S)
    except TimeoutError:
        raise NoAnswer(f"no connection to the broker: {reports[-1] if reports else 'no word from it'}") from None


async def _handed_over(publisher: MqttPublisher, octets: bytes) -> None:
    lasts_s = signed.LASTS_MS // 1_000
    parcel = Parcel(channel=Channel.REQUEST, body=octets, content_type=JSON, expires_s=lasts_s, label="the request")
    (outcome,) = await publisher.deliver([parcel])
    if not isinstance(outcome, Accepted):
        raise NoAnswer(f"the broker did not take the request: {outcome.reason}")


def _answer_in(body: bytes) -> Answer | None:
    try:
        content = Reader().decode(body)
    except Unreadable:
        return None
    return content if isinstance(content, Answer) else None
