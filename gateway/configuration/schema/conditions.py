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


class LimitWhenKeys(Keys):
    """Another limit while the plant is in a state."""

    tag: Name = Field(description="Tag that tells the state.")
    equals: float = Field(description="Value of the tag at which the other limit is in force.")
    limit: float = Field(description="That limit, in the unit of the tag that is compared.")


class StateLimitKeys(LimitKeys):
    """A limit on one tag, which may follow the state of the plant."""

    limit_when: tuple[LimitWhenKeys, ...] = Field(
        default=(),
        description="Other limits by the state of the plant, for alarms; the first whose state holds is in force, "
        "and where a state is not known, the strictest that may be meant.",
    )


class TimeBeyondKeys(Keys):
    """Minutes, or a share of the time, that a tag spends beyond a limit. Time without a value counts as neither."""

    tag: Name = Field(description="Tag that is compared.")
    above: float | None = Field(default=None, description="Time above this counts, in the tag's unit.")
    below: float | None = Field(default=None, description="Time below this counts, in the tag's unit.")
    deadband: float = Field(default=0.0, ge=0, description="How far back before it no longer counts.")
    more_than_min: float | None = Field(default=None, ge=0, description="Holds with more minutes than this...")
    more_than_percent: float | None = Field(
        default=None, ge=0, lt=100, description="...or with a larger share of the window than this."
    )
    window_min: float = Field(gt=0, le=44_640, description="Minutes, until now, that are looked at.")

    @model_validator(mode="after")
    def _one_of_each(self) -> Self:
        _exactly_one_of(self, "above", "below")
        _exactly_one_of(self, "more_than_min", "more_than_percent")
        return self

    @property
    def limit(self) -> float:
        """What is compared with."""
        return self.above if self.above is not None else self.below or 0.0

    @property
    def most_min(self) -> float:
        """Minutes it may last, however they are said."""
        share = self.more_than_percent or 0.0
        return self.more_than_min if self.more_than_min is not None else self.window_min * share / 100


class CountKeys(Keys):
    """How often something happens: a value is reached, a limit is passed, or a running number steps on."""

    tag: Name = Field(description="Tag that is watched; with none of the next three keys, a running number.")
    becomes: float | None = Field(default=None, description="Each time the tag comes to this value counts.")
    rises_above: float | None = Field(default=None, description="Each time the tag rises above this counts.")
    falls_below: float | None = Field(default=None, description="Each time the tag falls below this counts.")
    deadband: float = Field(default=0.0, ge=0, description="How far back before it can count again.")
    at_least: int = Field(ge=1, le=1_000, description="Holds with so many in the window.")
    window_min: float = Field(gt=0, le=44_640, description="Minutes, until now, that are looked at.")

    @model_validator(mode="after")
    def _at_most_one(self) -> Self:
        given = [key for key in ("becomes", "rises_above", "falls_below") if getattr(self, key) is not None]
        if len(given) > 1:
            raise ValueError(f"{' and '.join(given)}|at most one of becomes, rises_above, falls_below")
        return self

    @property
    def limit(self) -> float | None:
        """What is compared with; None where nothing is."""
        return self.rises_above if self.rises_above is not None else self.falls_below


def _exactly_one_of(keys: Keys, first: str, second: str) -> None:
    given = [key for key in (first, second) if getattr(keys, key) is not None]
    if len(given) != 1:
        raise ValueError(f"{' and '.join(given) or f'neither {first} nor {second}'}|exactly one of {first}, {second}")


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


class BypassEndsKeys(Keys):
    """A bypass, of whatever interlock, that is about to end."""

    within_min: float = Field(gt=0, le=1_440, description="Minutes before its end from which on the condition holds.")


class BypassExpiredKeys(Keys):
    """A bypass, of whatever interlock, that has ended by itself since nobody ended it before."""

    for_min: float = Field(
        default=60.0, gt=0, le=1_440, description="Minutes after that for which the condition holds."
    )


class HoldOverdueKeys(Keys):
    """An instrument that is held longer than was planned."""

    by_min: float = Field(
        default=30.0, ge=0, le=1_440, description="Minutes past the planned end from which on the condition holds."
    )


class UnwritableKeys(Keys):
    """An output whose level does not read back."""

    output: Name = Field(description="Output that is watched.")


class ConditionKeys(Keys):
    """One question about the plant: exactly one of these keys."""

    high: StateLimitKeys | None = Field(default=None, description="Holds above a limit.")
    low: StateLimitKeys | None = Field(default=None, description="Holds below a limit.")
    equals: EqualsKeys | None = Field(default=None, description="Holds at exactly one value.")
    bits: BitsKeys | None = Field(default=None, description="Holds while any of some bits stands.")
    mismatch: MismatchKeys | None = Field(default=None, description="Holds while command and feedback differ.")
    no_change: NoChangeKeys | None = Field(default=None, description="Holds while a tag stands still.")
    bad_quality: BadQualityKeys | None = Field(default=None, description="Holds while a tag has no usable value.")
    rate: LimitKeys | None = Field(default=None, description="Holds while the change per minute is above a limit.")
    deviation: DeviationKeys | None = Field(default=None, description="Holds while two tags differ.")
    time_beyond: TimeBeyondKeys | None = Field(
        default=None, description="Holds while a tag was beyond a limit for too much of a window of time; for alarms."
    )
    count: CountKeys | None = Field(
        default=None, description="Holds while something happened too often in a window of time; for alarms."
    )
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
    bypass_ends: BypassEndsKeys | None = Field(
        default=None, description="Holds while a bypass is about to end; for alarms."
    )
    bypass_expired: BypassExpiredKeys | None = Field(
        default=None, description="Holds for a time after a bypass has ended by itself; for alarms."
    )
    hold_overdue: HoldOverdueKeys | None = Field(
        default=None, description="Holds while an instrument is held longer than planned; for alarms."
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
