"""Formulas: what they compute, what is refused and in which words, and that nothing but a formula is ever run."""

import ast
import math
from collections.abc import Mapping

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from gateway.core.expression import DEEPEST, LONGEST, BadFormula, Formula, FormulaFault, compile_formula
from gateway.core.units import parse_quantity, parse_unit

WORDS = {"a": "", "b": "", "c": ""}


def formula(
    text: str, unit: str = "", *, inputs: Mapping[str, str] | None = None, constants: Mapping[str, str] | None = None
) -> Formula:
    return compile_formula(
        text,
        inputs={word: parse_unit(one) for word, one in (inputs or {}).items()},
        constants={word: parse_quantity(one) for word, one in (constants or {}).items()},
        unit=parse_unit(unit),
    )


def faults_of(text: str, unit: str = "", **words: Mapping[str, str]) -> tuple[FormulaFault, ...]:
    with pytest.raises(BadFormula) as refused:
        formula(text, unit, **words)
    return refused.value.faults


def only_fault(text: str, unit: str = "", **words: Mapping[str, str]) -> FormulaFault:
    (fault,) = faults_of(text, unit, **words)
    return fault


def value_of(text: str, **values: float) -> float:
    return formula(text, inputs=dict.fromkeys(values, "")).compute(list(values.values()))


# --- what is computed ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1 + 2 * 3", 7.0),
        ("(1 + 2) * 3", 9.0),
        ("2 ** 3", 8.0),
        ("2 ** -1", 0.5),
        ("-2 ** 2", -4.0),
        ("9 ** 0.5", 3.0),
        ("7 / 2", 3.5),
        ("--3", 3.0),
        ("1 < 2 < 3", 1.0),
        ("1 < 3 < 2", 0.0),
        ("1 == 1.0", 1.0),
        ("1 != 1", 0.0),
        ("not 0", 1.0),
        ("not 5", 0.0),
        ("2 and 3", 1.0),
        ("2 and 0", 0.0),
        ("0 or 3", 1.0),
        ("0 or 0", 0.0),
        ("4 if 1 > 2 else 5", 5.0),
        ("1 / 0 if 0 else 8", 8.0),  # the branch that is not taken is not computed
        ("max(1, 5, 3)", 5.0),
        ("min(4, 2)", 2.0),
        ("clip(7, 0, 5)", 5.0),
        ("clip(-7, 0, 5)", 0.0),
        ("abs(-2.5)", 2.5),
        ("sqrt(16)", 4.0),
        ("exp(0)", 1.0),
        ("log(exp(2))", 2.0),
        ("  1\n +\t2 ", 3.0),
    ],
)
def test_an_expression_has_the_value_that_arithmetic_gives_it(text: str, expected: float) -> None:
    assert formula(text).compute([]) == expected


@pytest.mark.parametrize(
    "text",
    ["1 / a", "log(a)", "sqrt(a - 1)", "a ** -1", "(a - 8) ** 0.5", "exp(1000 + a)", "clip(1, 2, a)",
],
)  # fmt: skip
def test_what_has_no_value_raises_an_arithmetic_or_value_error(text: str) -> None:
    with pytest.raises((ArithmeticError, ValueError)):
        value_of(text, a=0.0)


def test_infinity_never_decides_a_comparison() -> None:
    text = "1 if a * a > 5 else 0"
    with pytest.raises(ArithmeticError):
        value_of(text, a=1e200)


OPERANDS = st.sampled_from(["a", "b", "c", "0", "1", "2.5", "1000"])


def _larger(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    pair = st.tuples(inner, st.sampled_from(["+", "-", "*", "/", "<", "<=", ">", ">=", "==", "!=", "and", "or"]), inner)
    return st.one_of(
        pair.map(lambda parts: f"({' '.join(parts)})"),
        inner.map(lambda text: f"(-{text})"),
        inner.map(lambda text: f"(not {text})"),
        st.tuples(inner, st.sampled_from(["2", "-1", "0.5"])).map(lambda parts: f"({parts[0]} ** {parts[1]})"),
        st.tuples(inner, inner, inner).map(lambda parts: f"({parts[0]} if {parts[1]} else {parts[2]})"),
        st.tuples(st.sampled_from(["min", "max"]), inner, inner).map(lambda p: f"{p[0]}({p[1]}, {p[2]})"),
        inner.map(lambda text: f"abs({text})"),
    )


EXPRESSIONS = st.recursive(OPERANDS, _larger, max_leaves=12)


def by_python(text: str, values: Mapping[str, float]) -> float | None:
    """What Python itself makes of it, truths as 1 and 0; None where there is no finite real number on the way."""

    class Truths(ast.NodeTransformer):
        def visit_BoolOp(self, node: ast.BoolOp) -> ast.AST:
            self.generic_visit(node)
            return ast.Call(func=ast.Name(id="bool", ctx=ast.Load()), args=[node], keywords=[])

    tree = ast.fix_missing_locations(Truths().visit(ast.parse(text, mode="eval")))
    names = {**values, "min": min, "max": max, "abs": abs, "bool": bool, "__builtins__": {}}
    try:
        value = eval(compile(tree, "formula", "eval"), names)  # noqa: S307 - a text this test has made itself
    except (ArithmeticError, TypeError):  # TypeError: a root of less than nothing is complex and compares with nothing
        return None
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


@given(EXPRESSIONS, *([st.integers(-(10**6), 10**6).map(lambda count: count / 1_000)] * 3))
def test_an_expression_equals_what_python_makes_of_it(text: str, a: float, b: float, c: float) -> None:
    assume(len(text) <= LONGEST)
    used = {word: value for word, value in {"a": a, "b": b, "c": c}.items() if word in names_in(text)}
    compiled = formula(text, inputs=dict.fromkeys(used, ""))
    expected = by_python(text, used)
    try:
        found = compiled.compute(list(used.values()))
    except (ArithmeticError, ValueError):
        # Stricter than Python with powers alone: what is infinite or imaginary ends the computation where it arises.
        assert expected is None or "**" in text
    else:
        assert expected is not None
        assert math.isclose(found, expected, rel_tol=1e-11, abs_tol=1e-300)


def names_in(text: str) -> set[str]:
    return {node.id for node in ast.walk(ast.parse(text, mode="eval")) if isinstance(node, ast.Name)}


# --- what is refused -------------------------------------------------------------------------------------------

MALICIOUS = [
    "__import__('os').system('true')",
    "__import__(a)",
    "().__class__",
    "a.__class__.__bases__",
    "a.real",
    "a[0]",
    "a[0:1]",
    "'a'",
    'f"{a}"',
    "b'a'",
    "lambda: 1",
    "[x for x in a]",
    "(x for x in a)",
    "{1: 2}",
    "{1, 2}",
    "[1, 2]",
    "1, 2",
    "(a := 1)",
    "*a",
    "max(*a)",
    "max(a, b=1)",
    "max(**a)",
    "max(a, 1)(2)",
    "(max)(a, 1) + (min if a else max)(a, 1)",
    "eval(a)",
    "exec(a)",
    "print(a)",
    "open(a)",
    "globals()",
    "compile(a, a, a)",
    "round(a)",
    "True",
    "None",
    "...",
    "1j",
    "1_000",
    "0x10",
    "0b1",
    "0o7",
    "1e3",
    "1.e3",
    ".5",
    "5.",
    "1if a else 2",
    "a is b",
    "a in b",
    "a not in b",
    "a // b",
    "a % b",
    "a @ b",
    "a & b",
    "a | b",
    "a ^ b",
    "a << b",
    "a >> b",
    "~a",
    "+a",
    "a <> b",
    "a ** b",
    "a ** 7",
    "a ** -7",
    "a ** (1 + 1)",
    "2 ** 2 ** 2",
    "9 ** 9999999999",
    "await a",
    "yield a",
    "(yield)",
    "import os",
    "a; b",
    "a = 1",
    "a == ",
    "(a",
    "a)",
    "a b",
    "012",
    "",
    " ",
    "\n",
    "\x00",
    "a\x0c+ 1",
    "\uff41 + 1",
    "a\u200b",
    "# a",
    "a # b",
    "a \\\n + 1",
    "(" * 250 + "a" + ")" * 249,
    "-" * 499 + "1",
    "not " * 120 + "1",
    "1" * 400,
    "a+" * 249 + "a",
    "max(" * 60 + "1" + ", 1)" * 60,
    "9" * 310 + " * 1",
    "a" * (LONGEST + 1),
    "1 + " * 10_000 + "1",
]


@pytest.mark.parametrize("text", MALICIOUS)
def test_nothing_but_a_formula_is_let_in(text: str) -> None:
    faults = faults_of(text, inputs=WORDS)
    assert all(fault.found and fault.allowed and 0 <= fault.column <= LONGEST + 1 for fault in faults)


@given(st.one_of(st.text(max_size=80), st.text("ab01. +-*/()<>=!,\n_", max_size=60), st.text("(-not 1a", max_size=500)))
@example("a" * 600)
@example("1\n\n(")
def test_any_text_is_a_formula_or_is_refused_in_words(text: str) -> None:
    try:
        formula(text, constants={"a": "1"})
    except BadFormula as refused:
        faults = refused.faults
    else:
        return
    assert faults
    assert all(fault.found and fault.allowed for fault in faults)


def test_a_tree_is_no_deeper_than_allowed() -> None:
    assert formula("-" * (DEEPEST - 1) + "1").compute([]) == -1.0
    assert "too many levels" in only_fault("-" * DEEPEST + "1").found


@pytest.mark.parametrize(
    ("text", "column", "found"),
    [
        ("a + ", 4, "no expression"),
        ("a + * b", 5, "no expression"),
        ("a + $", 5, '"$"'),
        ("a + 1e3", 5, '"1e3"'),
        ("a + nope", 5, '"nope"'),
        ("a + nope(1)", 5, '"nope"'),
        ("max(a)", 1, "max with 1 arguments"),
        ("a + b.c", 5, '"b.c"'),
        ("  a + nope", 5, '"nope"'),
    ],
)
def test_a_fault_names_its_column(text: str, column: int, found: str) -> None:
    fault = only_fault(text, inputs=WORDS)
    assert fault.column == column
    assert found in fault.found


def test_all_faults_of_a_formula_are_told_at_once() -> None:
    faults = faults_of("nope + log(flow) + other", "m3/h", inputs={"flow": "m3/h"})
    assert [fault.column for fault in faults] == [1, 8, 20]


def test_a_word_that_is_not_used_is_told_by_its_name() -> None:
    fault = only_fault("a * 2", inputs={"a": "", "b": ""}, constants={})
    assert (fault.about, fault.column) == (("inputs", "b"), 0)


def test_a_function_is_named_when_it_is_not_called() -> None:
    assert only_fault("max + 1").advice == "Call max(...)."


# --- units -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit", "words", "values", "expected"),
    [
        ("residual * time", "mg.min/L", {"residual": "mg/L", "time": "min"}, [5.0, 94.5], 472.5),
        ("residual * time", "mg.min/L", {"residual": "g/m3", "time": "h"}, [5.0, 1.575], 472.5),
        ("production / flow", "mg/L", {"production": "g/h", "flow": "m3/h"}, [16.0, 2.0], 8.0),
        ("power * time", "kWh", {"power": "kW", "time": "min"}, [6.5, 30.0], 3.25),
        ("dose * flow", "mL/h", {"dose": "mL/m3", "flow": "m3/h"}, [64.0, 1.5], 96.0),
        ("part / whole", "%", {"part": "L", "whole": "m3"}, [500.0, 2.0], 25.0),
        ("part / whole", "", {"part": "L", "whole": "m3"}, [500.0, 2.0], 0.25),
        ("level", "%", {"level": "%"}, [40.0], 40.0),
        ("sqrt(area)", "cm", {"area": "m2"}, [4.0], 200.0),
        ("side ** 3", "L", {"side": "cm"}, [10.0], 1.0),
        ("max(flow, small)", "m3/h", {"flow": "m3/h", "small": "L/h"}, [0.01, 50.0], 0.05),
        ("flow > small", "", {"flow": "m3/h", "small": "L/h"}, [0.01, 50.0], 0.0),
        ("warm - cold", "degC", {"warm": "degC", "cold": "degC"}, [12.0, 10.0], 2.0),
    ],
)
def test_units_are_converted_so_that_no_formula_needs_a_60(
    text: str, unit: str, words: dict[str, str], values: list[float], expected: float
) -> None:
    assert formula(text, unit, inputs=words).compute(values) == expected


@pytest.mark.parametrize(
    ("text", "unit", "found", "allowed"),
    [
        ("flow + volume", "m3/h", "m3/s beside m3", "one kind"),
        ("flow > 2", "", "m3/s beside no unit", "one kind"),
        ("max(flow, 1)", "m3/h", "m3/s beside no unit", "one kind"),
        ("flow if uvt > 1 else flow", "m3/h", "% beside no unit", "one kind"),
        ("flow if 1 else volume", "m3/h", "m3/s beside m3", "one kind"),
        ("exp(uvt)", "", "% in exp", "a pure number"),
        ("log(flow)", "", "m3/s in log", "a pure number"),
        ("flow and 1", "", "m3/s in and, or", "a pure number"),
        ("not flow", "", "m3/s in not", "a pure number"),
        ("volume if flow else volume", "m3", "m3/s in a condition", "a pure number"),
        ("flow * volume", "m3", "a result in m6/s", "m3, as declared"),
        ("flow", "mg/L", "a result in m3/s", "mg/L, as declared (that is kg/m3)"),
        ("flow", "", "a result in m3/s", "no unit, as declared"),
        ("uvt / uvt", "NTU", "a result in no unit", "NTU, as declared"),
        ("uvt * volume", "m3", "a result in %.m3", "m3, as declared"),
        ("contact_time(flow, 1, volume)", "min", "m3/s as argument 1 in contact_time", "m3"),
        ("day_share(flow)", "%", "m3/s in day_share", "a pure number"),
    ],
)
def test_what_does_not_fit_is_told_with_both_units(text: str, unit: str, found: str, allowed: str) -> None:
    words = {"flow": "m3/h", "volume": "m3", "uvt": "%"}
    used = {word: one for word, one in words.items() if word in text}
    fault = only_fault(text, unit, inputs=used)
    assert found in fault.found
    assert allowed in fault.allowed


def test_a_constant_brings_its_unit() -> None:
    flow = formula("max(flow, least)", "m3/h", inputs={"flow": "m3/h"}, constants={"least": "50 L/h"})
    assert flow.compute([0.0]) == 0.05


# --- functions over the day ------------------------------------------------------------------------------------


def test_functions_over_the_day_are_taken_out_and_their_figures_follow_the_inputs() -> None:
    compiled = formula(
        "day_mean(a) * b + day_share(a > b)",
        inputs={
            "a": "",
            "b": "",
        },
    )
    assert [call.kind.value for call in compiled.days] == ["day_mean", "day_share"]
    assert [call.inputs for call in compiled.days] == [(0,), (0, 1)]
    assert compiled.now == (1,)
    assert compiled.days[1].argument([3.0, 2.0]) == 1.0
    assert compiled.compute([3.0, 2.0, 10.0, 0.5]) == 20.5


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("day_mean(day_mean(a))", "day_mean inside a function over the day"),
        ("day_mean()", "day_mean with 0 arguments"),
        ("day_mean(a, a)", "day_mean with 2 arguments"),
        ("day_increase(a + 1)", "something else than an input"),
        ("day_increase(1)", "something else than an input"),
        ("day_mean(x=a)", "an argument by name"),
    ],
)
def test_functions_over_the_day_are_called_as_they_must_be(text: str, found: str) -> None:
    assert found in " ".join(fault.found for fault in faults_of(text, inputs={"a": ""}))
