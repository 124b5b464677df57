"""What a function of formulas is, and the rules for the kinds of its arguments. Decides nothing by itself."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from gateway.core.units import PURE, Dimension, in_words, parse_unit


class WrongKind(ValueError):  # noqa: N818 - named for what is the case
    """An argument is of another kind than it must be.

    Args:
        found: the kind that was given.
        allowed: the kind that may be given.
    """

    def __init__(self, found: str, allowed: str) -> None:
        self.found = found
        self.allowed = allowed
        super().__init__(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Function:
    """One function.

    Args:
        parameters: how it is called, in words.
        least: fewest arguments.
        most: most arguments.
        dimension: kind of the result from the kinds of the arguments; raises ``WrongKind``.
        compute: the result; raises an arithmetic error or ValueError where there is none.
    """

    parameters: str
    least: int
    most: int
    dimension: Callable[[Sequence[Dimension]], Dimension]
    compute: Callable[[Sequence[float]], float]


def alike(given: Sequence[Dimension]) -> Dimension:
    """The one kind that all are of."""
    for one in given[1:]:
        if one != given[0]:
            raise WrongKind(f"{in_words(given[0])} beside {in_words(one)}", "quantities of one kind")
    return given[0]


def pure(given: Sequence[Dimension]) -> Dimension:
    """No unit, for arguments without one."""
    for one in given:
        if one != PURE:
            raise WrongKind(in_words(one), "a pure number")
    return PURE


def of_units(*parameters: str, result: str) -> Callable[[Sequence[Dimension]], Dimension]:
    """A rule for arguments of these units, in this order."""
    wanted = [parse_unit(text).dimension for text in parameters]
    comes_out = parse_unit(result).dimension

    def rule(given: Sequence[Dimension]) -> Dimension:
        for number, (one, right) in enumerate(zip(given, wanted, strict=True)):
            if one != right:
                raise WrongKind(f"{in_words(one)} as argument {number + 1}", in_words(right))
        return comes_out

    return rule
