"""People who are called, by what means, and since when they are known to answer. Pure.

A person is called for alarms only after a test call was answered: a wrong
number must be found out on a quiet day. Until then he is called in nothing
but tests. When nobody of a role is proven, the role is still called, because
an unproven number is better than none, and that is told.
"""

from dataclasses import dataclass
from enum import Enum


class Means(Enum):
    """How a text reaches a person."""

    MAIL = "mail"
    MQTT = "mqtt"
    HTTPS = "https"
    PROGRAM = "program"  # of the site, gets the text on standard input; for a modem


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to a person.

    Args:
        means: how.
        address: where to, as the means understands it.
        wakes: whether it rings at night; the ways that do not are tried beside, never instead.
    """

    means: Means
    address: str
    wakes: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who may be called.

    Args:
        name: as the site calls the person.
        role: the role of the site's list that the person fills.
        ways: the first is tried first; the next when it fails.
        language: of the texts.
    """

    name: str
    role: str
    ways: tuple[Way, ...]
    language: str = "en"


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What is known of a person's reachability.

    Args:
        answered_utc_ms: when a test call was last answered; None when none ever was.
        asked_utc_ms: when the newest test call went out; None when none did.
    """

    answered_utc_ms: int | None = None
    asked_utc_ms: int | None = None

    @property
    def active(self) -> bool:
        """Whether the person may be called for alarms."""
        return self.answered_utc_ms is not None
