"""Signatures of requests from afar (Ed25519, RFC 8032): made, and checked. Pure: octets, no clock.

The only file that knows the library, and loaded only where somebody has a key.
What is signed stands behind a text of our own, so that nothing else that was
ever signed with the key can pass for a request.
"""

import base64

import msgspec
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from gateway.local.signed import Claim, NotSigned, Signed

_BEFORE = b"purplegate: a request from afar, version 1\n"
_KEY_BYTES = 32


def is_by(signed: Signed, key: str) -> bool:
    """Whether the signature is that of a public key.

    Raises:
        NotSigned: the key is none.
    """
    try:
        Ed25519PublicKey.from_public_bytes(_key_octets(key)).verify(signed.signature, _BEFORE + signed.claim)
    except InvalidSignature:
        return False
    return True


def sign(claim: Claim, private_key: str) -> bytes:
    """The octets of a request.

    Raises:
        NotSigned: the key is none.
    """
    body = msgspec.json.encode(claim)
    signature = Ed25519PrivateKey.from_private_bytes(_key_octets(private_key)).sign(_BEFORE + body)
    return msgspec.json.encode(Signed(claim=body, signature=signature))


def new_key() -> tuple[str, str]:
    """A private key and its public key, 44 characters of Base64 each."""
    made = Ed25519PrivateKey.generate()
    return _text(made.private_bytes_raw()), _text(made.public_key().public_bytes_raw())


def _key_octets(key: str) -> bytes:
    try:
        octets = base64.b64decode(key, validate=True)
    except ValueError as fault:
        raise NotSigned(f"no key: {fault}") from fault
    if len(octets) != _KEY_BYTES:
        raise NotSigned(f"a key of {len(octets)} octets; it has {_KEY_BYTES}")
    return octets


def _text(octets: bytes) -> str:
    return base64.b64encode(octets).decode()
