"""Questions about the plant, asked by interlocks, releases and alarms alike."""

from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from gateway.configuration.schema.keys import Bit, Keys, Name, PositiveSeconds
from gateway.core.quality import Reason

_REASONS = tuple(reason.value for reason in Reason)


def _known_reason(word: str) -> str:
    if word not in _REASONS:
        raise ValueError(f"{word}|one of {', '.join(_REASONS)}")
    return word


ReasonName = Annotated[str, AfterValidator(_known_reason)]


class LimitKeys(Keys):
    """A limit on one tag."""

    tag: Name = Field(description="Tag that is compared.")
    limit: float = Field(description="Limit, in the tag's unit; in condition beyond it.")
    deadband: float = Field(default=0.0, ge=0, description="How far back before it clears, in the tag's unit.")


class EqualsKeys(Keys):
    """A tag at exactly one value."""

    tag: Name = Field(description="Tag that is compared.")
    value: float = Field(default=1.0, description="Value at which the condition holds.")


class BitsKeys(Keys):
    """Bits of a status tag."""

    tag: Name = Field(description="Status tag.")
    bits: tuple[Bit, ...] = Field(
        min_length=1, description="Bits, bit 0 is the lowest; any of them makes the condition hold."
    )


class MismatchKeys(Keys):
    """Command and feedback that differ."""

    command: Name = Field(description="Tag of the command.")
    feedback: Name = Field(description="Tag of the feedback.")


class NoChangeKeys(Keys):
    """A tag that stands still."""

    tag: Name = Field(description="Tag that must move.")
    band: float = Field(default=0.0, ge=0, description="A movement of at most this much, in the tag's unit, is none.")
    after_s: PositiveSeconds = Field(description="Seconds without a movement from which on the condition holds.")


class BadQualityKeys(Keys):
    """A tag without a usable value."""

    tag: Name = Field(description="Tag whose quality is watched.")
    because: tuple[ReasonName, ...] = Field(
        default=(), description="Reasons that count; empty counts every reason that except_for does not name."
    )
    except_for: tuple[ReasonName, ...] = Field(
        default=(), description="Reasons that do not count, because something else watches them."
    )


class DeviationKeys(Keys):
    """Two tags that differ."""

    tag: Name = Field(description="First tag.")
    other: Name = Field(description="Second tag, of the same unit.")
    limit: float = Field(gt=0, description="Difference beyond which the condition holds, in their unit.")
    deadband: float = Field(default=0.0, ge=0, description="How far back before it clears, in their unit.")


class UnprovenKeys(Keys):
    """An output commanded safe that does not prove it."""

    output: Name = Field(description="Output that is commanded.")
    tag: Name = Field(description="Tag of the position.")
    expected: float = Field(default=1.0, description="What the tag reads when the safe position is proven.")


class TrippedKeys(Keys):
    """An interlock whose cause stands and that is tripped."""

    interlock: Name = Field(description="Interlock that is watched.")


class WrittenOverKeys(Keys):
    """An output that is latched because somebody else wrote its register."""

    output: Name = Field(description="Output that is watched.")


class UnwritableKeys(Keys):
    """An output whose level does not read back."""

    output: Name = Field(description="Output that is watched.")


class ConditionKeys(Keys):
    """One question about the plant: exactly one of these keys."""

    high: LimitKeys | None = Field(default=None, description="Holds above a limit.")
    low: LimitKeys | None = Field(default=None, description="Holds below a limit.")
    equals: EqualsKeys | None = Field(default=None, description="Holds at exactly one value.")
    bits: BitsKeys | None = Field(default=None, description="Holds while any of some bits stands.")
    mismatch: MismatchKeys | None = Field(default=None, description="Holds while command and feedback differ.")
    no_change: NoChangeKeys | None = Field(default=None, description="Holds while a tag stands still.")
    bad_quality: BadQualityKeys | None = Field(default=None, description="Holds while a tag has no usable value.")
    rate: LimitKeys | None = Field(default=None, description="Holds while the change per minute is above a limit.")
    deviation: DeviationKeys | None = Field(default=None, description="Holds while two tags differ.")
    unproven: UnprovenKeys | None = Field(
        default=None, description="Holds while an output is commanded safe and not proven."
    )
    tripped: TrippedKeys | None = Field(
        default=None, description="Holds while an interlock is tripped and its cause stands."
    )
    unwritable: UnwritableKeys | None = Field(
        default=None, description="Holds while an output does not read back as written."
    )
    written_over: WrittenOverKeys | None = Field(
        default=None, description="Holds while an output is latched because somebody else wrote its register."
    )

    @property
    def kind(self) -> str:
        """Name of the key that is given."""
        return next(kind for kind in CONDITION_KINDS if getattr(self, kind) is not None)

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        given = [kind for kind in CONDITION_KINDS if getattr(self, kind) is not None]
        if len(given) != 1:
            raise ValueError(f"{' and '.join(given) or 'nothing'}|exactly one of {', '.join(CONDITION_KINDS)}")
        return self


CONDITION_KINDS = tuple(ConditionKeys.model_fields)
