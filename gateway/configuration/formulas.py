"""The formulas of calculated tags, with the units of the site around them.

Decides nothing: it looks up the units that a formula is written in, and has it
compiled by ``core.expression``. Findings are made of its faults by
``rules.calculations``.
"""

from gateway.configuration.schema import CalculatedTag, Site, Tag
from gateway.core.calculation import CalculationRule
from gateway.core.expression import BadFormula, Formula, FormulaFault, compile_formula
from gateway.core.scaling import Scaling
from gateway.core.units import NotAUnit, Quantity, Unit, parse_quantity, parse_unit
from gateway.core.validity import TagRule


def calculation_rule(name: str, site: Site) -> CalculationRule:
    """One calculated tag, as the decisions read it.

    Raises:
        BadFormula: with every fault.
    """
    keys = site.calculated[name]
    low, high = keys.range or (None, None)
    return CalculationRule(
        about=TagRule(
            tag=name,
            unit=keys.unit,
            service=keys.service,
            uncertain_counts=keys.uncertain_counts,
            states=dict(keys.states),
            bit_names=dict(keys.bit_names),
        ),
        inputs=tuple(keys.inputs.values()),
        rolls_over_at=tuple(_rolls_over_at(tag, site) for tag in keys.inputs.values()),
        formula=formula_of(keys, site),
        scaling=Scaling(range_low=low, range_high=high, states=frozenset(keys.states)),
        source=f"{keys.formula} of {dict(keys.inputs)} and {dict(keys.constants)}",
        record_interval_ms=round(keys.record_interval_s * 1_000),
    )


def formula_of(keys: CalculatedTag, site: Site) -> Formula:
    """The compiled formula of a calculated tag whose inputs are declared.

    Raises:
        BadFormula: with every fault: of the units first, since the formula is read by them.
    """
    faults: list[FormulaFault] = []
    inputs = {word: _unit(("inputs", word), site.points[tag].unit, tag, faults) for word, tag in keys.inputs.items()}
    constants = {word: _constant(word, text, faults) for word, text in keys.constants.items()}
    unit = _unit(("unit",), keys.unit, "this tag", faults)
    faults += [
        FormulaFault(found=f'"{word}", an input as well', allowed="words of one meaning", about=("constants", word))
        for word in keys.constants
        if word in keys.inputs
    ]
    if faults:
        raise BadFormula(faults)
    return compile_formula(keys.formula, inputs=inputs, constants=constants, unit=unit)


def _rolls_over_at(name: str, site: Site) -> float | None:
    point = site.points[name]
    return point.rolls_over_at if isinstance(point, Tag) else None


def _unit(about: tuple[str, ...], text: str, of: str, faults: list[FormulaFault]) -> Unit:
    try:
        return parse_unit(text)
    except NotAUnit as wrong:
        found = f'"{text}" as the unit of {of}'
        faults.append(FormulaFault(found=found, allowed=str(wrong), about=about))
        return parse_unit("")


def _constant(word: str, text: str, faults: list[FormulaFault]) -> Quantity:
    try:
        return parse_quantity(text)
    except NotAUnit as wrong:
        about = ("constants", word)
        faults.append(FormulaFault(found=f'"{text}"', allowed=f"a number with its unit: {wrong}", about=about))
        return parse_quantity("0")
