"""All rules of one site, as the decisions read them. Made once, by ``configuration.plant``."""

from dataclasses import dataclass, field

from gateway.core.alarm import AlarmRule
from gateway.core.calculation import CalculationRule
from gateway.core.cause_groups import NO_RULES as NO_GRAPH
from gateway.core.cause_groups import GroupRules
from gateway.core.commissioning import CommissioningRule
from gateway.core.days import UTC, Offsets
from gateway.core.entering import NO_RULES as NO_ENTRIES
from gateway.core.entering import EntryRules
from gateway.core.figures import NO_RULES, FigureRules
from gateway.core.hold import NO_RULE as NO_HOLDS
from gateway.core.hold import HoldRule
from gateway.core.interlock import InterlockRule
from gateway.core.output import OutputRule
from gateway.core.permissive import ReleaseRule
from gateway.core.validity import TagRule


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """Every rule, in the order in which it is evaluated.

    Args:
        tags: a governing tag comes before the tags it governs.
        calculated: in any order; what each needs is judged before it.
        alarms: in listed order.
        interlocks: in listed order.
        outputs: in listed order.
        releases: at most one for each output.
        holds: what a person may hold.
        commissioning: who may let the outputs be written; None when none is declared.
        first_out_groups: group name to alarm ids in cascade order.
        cause_groups: which alarm follows from which.
        grab_quantities: quantity name to words; what a grab sample may carry.
        entries: what people can enter afterwards.
        figures: when to tell of floods, chattering and standing alarms.
        clock_step_ms: a jump of the wall clock of at least this is journaled.
        offer_ms: how long the first step of a release stands.
        offsets: local time against UTC, for the local day.
    """

    tags: tuple[TagRule, ...] = ()
    calculated: tuple[CalculationRule, ...] = ()
    alarms: tuple[AlarmRule, ...] = ()
    interlocks: tuple[InterlockRule, ...] = ()
    outputs: tuple[OutputRule, ...] = ()
    releases: tuple[ReleaseRule, ...] = ()
    holds: HoldRule = NO_HOLDS
    commissioning: CommissioningRule | None = None
    first_out_groups: dict[str, tuple[str, ...]] = field(default_factory=dict)
    cause_groups: GroupRules = NO_GRAPH
    grab_quantities: dict[str, str] = field(default_factory=dict)
    entries: EntryRules = NO_ENTRIES
    figures: FigureRules = NO_RULES
    clock_step_ms: int = 1_000
    offer_ms: int = 120_000
    offsets: Offsets = UTC

    @property
    def points(self) -> tuple[TagRule, ...]:
        """Name, unit and words of every point, read or calculated."""
        return (*self.tags, *(rule.about for rule in self.calculated))
