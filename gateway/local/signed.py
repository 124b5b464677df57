"""A person's request from afar as octets. Pure: knows neither signatures (``signatures``) nor a clock.

What is signed is the claim, octet by octet as it was sent.

    octets     JSON: the claim (Base64) and its signature (Base64)
    claim      JSON: site, person, number, expiry, and what is asked

The number grows with every request of a person: it is the moment of signing,
in milliseconds UTC. Whether a request is taken is decided in the field process
(``gateway.field.afar``), from these octets alone.
"""

import hashlib

import msgspec

from gateway.local.messages import Ask

LIMIT_BYTES = 8_192  # of the octets; one request is some hundreds
LASTS_MS = 120_000  # of a request, from its signing; some answers take a while on a slow line


class NotSigned(ValueError):  # noqa: N818 - named for what is the case
    """The octets are no signed request, or a key is none."""


class Claim(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is signed.

    Args:
        site: id of the site that is asked.
        person: who asks, a name of its people table.
        number: milliseconds UTC of the signing.
        expires_utc_ms: from then on it is refused.
        ask: what is asked; its id and its person do not count.
    """

    site: str
    person: str
    number: int
    expires_utc_ms: int
    ask: Ask


class Signed(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A claim as it was signed, and the signature."""

    claim: bytes
    signature: bytes


_signed_decoder = msgspec.json.Decoder(Signed)
_claim_decoder = msgspec.json.Decoder(Claim)


def digest(octets: bytes) -> str:
    """By which a request and its answer find each other: 32 hexadecimal digits."""
    return hashlib.sha256(octets).hexdigest()[:32]


def opened(octets: bytes) -> tuple[Signed, Claim]:
    """The parts of a signed request. Nothing of it is proven by that.

    Raises:
        NotSigned: it is none, or too long.
    """
    if len(octets) > LIMIT_BYTES:
        raise NotSigned(f"{len(octets)} octets; a request has at most {LIMIT_BYTES}")
    try:
        signed = _signed_decoder.decode(octets)
        return signed, _claim_decoder.decode(signed.claim)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as fault:
        raise NotSigned(f"no signed request: {fault}") from fault
