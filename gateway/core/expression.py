"""Formulas of calculated tags: from text to something that can be computed, or every fault in it.

The text is read with Python's own grammar and never run: the tree is walked
once, every node that is not on the list below is refused, and what is on it
becomes a small function of the values. The list: numbers written out, words
that are declared, + - * / ** and unary minus, comparisons, and/or/not, a
conditional expression, and calls of our named functions by position. A truth
is 1 or 0. Units are settled here, in the tree: values are turned into coherent
units where they enter and back where the result leaves.
"""

import ast
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from gateway.core.day_figures import DayFunction
from gateway.core.function import Function, WrongKind, alike, of_units, pure
from gateway.core.functions import FUNCTIONS
from gateway.core.running_figures import LONGEST_WINDOW_S, SHORTEST_WINDOW_S, RunningFunction
from gateway.core.units import PURE, Dimension, Quantity, Unit, in_words, raised, times

LONGEST = 500
"""Characters of a formula."""
DEEPEST = 40
"""Levels of its tree."""
LARGEST_EXPONENT = 6.0

Evaluate = Callable[[Sequence[float]], float]
"""A part of a formula as a function of the values; raises an ArithmeticError or ValueError where it has none."""

_SIGNIFICANT = 12  # digits of a result; hides what turning units does to 4.5 m3, finer than any instrument
_PERCENT: Dimension = (("%", 1.0),)
_SIGNS = frozenset(" +-*/()<>=!,")
_DAY_FUNCTIONS: Mapping[str, DayFunction] = {function.value: function for function in DayFunction}
_RUNNING_FUNCTIONS: Mapping[str, RunningFunction] = {function.value: function for function in RunningFunction}
_WITH_MEMORY = (*_DAY_FUNCTIONS, *_RUNNING_FUNCTIONS)
_ALLOWED = "numbers, declared words, + - * / **, comparisons, and, or, not, if/else and named functions"


@dataclass(frozen=True, slots=True, kw_only=True)
class FormulaFault:
    """One thing that is wrong with a formula.

    Args:
        found: what stands there.
        allowed: what may stand there.
        advice: what to do.
        column: of the formula without blanks around it, counted from 1; 0 where the fault is not at one place.
        about: the argument of ``compile_formula`` that is at fault, and the word in it where it has words.
    """

    found: str
    allowed: str
    advice: str = ""
    column: int = 0
    about: tuple[str, ...] = ("formula",)


class BadFormula(Exception):  # noqa: N818 - named for what is the case
    """A formula cannot be used; carries every fault that was found.

    Args:
        faults: all of them, in the order of the text.
    """

    def __init__(self, faults: Sequence[FormulaFault]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(fault.found for fault in faults))


@dataclass(frozen=True, slots=True, kw_only=True)
class DayCall:
    """One call of a function over the day.

    Args:
        kind: which.
        argument: its argument, as a function of the values.
        inputs: places of the inputs it looks at.
        factor: of the argument's unit, for a total; 1 for the others.
    """

    kind: DayFunction
    argument: Evaluate
    inputs: tuple[int, ...]
    factor: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningCall:
    """One call of a function with a memory that knows no day.

    Args:
        kind: which.
        arguments: as functions of the values, in coherent units; of a window the value alone.
        inputs: places of the inputs that each of them looks at.
        window_ms: length of the window; 0 where it has none.
    """

    kind: RunningFunction
    arguments: tuple[Evaluate, ...]
    inputs: tuple[tuple[int, ...], ...]
    window_ms: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Formula:
    """A formula that can be computed.

    Args:
        inputs: its input words; their values come first, in this order and in their own units.
        now: places of the inputs that count as they are now, outside of functions with a memory.
        days: functions over the day; their figures follow the inputs, in this order.
        running: other functions with a memory; their figures come last, the first of them at the very end.
        compute: the result in the declared unit.
    """

    inputs: tuple[str, ...]
    now: tuple[int, ...]
    days: tuple[DayCall, ...]
    compute: Evaluate
    running: tuple[RunningCall, ...] = ()

    @property
    def remembers(self) -> bool:
        """Whether anything outlives a scan."""
        return bool(self.days or self.running)


def compile_formula(text: str, *, inputs: Mapping[str, Unit], constants: Mapping[str, Quantity], unit: Unit) -> Formula:
    """Make a formula ready.

    Args:
        text: the formula.
        inputs: its input words, each with the unit in which its value comes.
        constants: its other words.
        unit: in which the result is declared.

    Raises:
        BadFormula: with every fault.
    """
    reading = _Reading(inputs, constants)
    result = reading.part(_tree(text), 1)
    reading.note_unused()
    compute = reading.in_unit(result, unit)
    if reading.faults:
        raise BadFormula(reading.faults)
    return Formula(
        inputs=tuple(inputs),
        now=tuple(sorted(reading.looked_at)),
        days=tuple(reading.days),
        running=tuple(reading.running),
        compute=compute,
    )


# --- from the text to a tree -----------------------------------------------------------------------------------


def _tree(text: str) -> ast.expr:
    """The tree of a text that holds nothing but plain numbers, words and our signs."""
    if len(text) > LONGEST:
        raise BadFormula([FormulaFault(found=f"{len(text)} characters", allowed=f"at most {LONGEST}")])
    line = text.replace("\n", " ").replace("\t", " ").strip()
    _refuse_strange_text(line)
    try:
        return ast.parse(line, mode="eval").body
    except SyntaxError as error:
        column = min(error.offset or len(line) + 1, len(line) + 1)  # none given: the end
        found = f"no expression at column {column}: {error.msg}"
        raise BadFormula([FormulaFault(found=found, allowed=_ALLOWED, column=column)]) from error
    except (ValueError, RecursionError, MemoryError) as error:
        raise BadFormula([FormulaFault(found="an expression that cannot be read", allowed=_ALLOWED)]) from error


def _refuse_strange_text(line: str) -> None:
    """Before any parser sees it: no sign that we do not use, no number but digits with a decimal point."""
    column = 0
    while column < len(line):
        end = column
        while end < len(line) and line[end] not in _SIGNS:
            end += 1
        piece = line[column:end]
        if piece and not _is_number(piece) and not _is_word(piece):
            found = f'"{_shortened(piece)}" at column {column + 1}'
            advice = "Write numbers out, such as 1000 or 0.5." if piece[0] in "0123456789." else ""
            raise BadFormula([FormulaFault(found=found, allowed=_ALLOWED, advice=advice, column=column + 1)])
        column = end + 1


def _is_number(piece: str) -> bool:
    whole, point, decimals = piece.partition(".")
    return piece.isascii() and whole.isdigit() and (decimals.isdigit() if point else True)


def _is_word(piece: str) -> bool:
    return piece.isascii() and piece.isidentifier()


def _shortened(text: str) -> str:
    return text if len(text) <= 30 else f"{text[:30]}..."  # noqa: PLR2004 - as much as reads well in a line


# --- from the tree to functions --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Part:
    """A part of a formula: how it is computed, and its kind; None after a fault, which goes with everything."""

    evaluate: Evaluate
    dimension: Dimension | None


def _no_value(_: Sequence[float]) -> float:
    raise ValueError("a formula with faults has no value")


_FAULTY = _Part(_no_value, None)


class _Reading:
    """Walks one tree and gathers what is wrong with it."""

    def __init__(self, inputs: Mapping[str, Unit], constants: Mapping[str, Quantity]) -> None:
        self._places = {word: place for place, word in enumerate(inputs)}
        self._inputs = inputs
        self._constants = constants
        self._seen: set[str] = set()
        self._within = ""  # the function with a memory that is being read
        self.looked_at: set[int] = set()
        self.days: list[DayCall] = []
        self.running: list[RunningCall] = []
        self.faults: list[FormulaFault] = []

    def part(self, node: ast.expr, depth: int) -> _Part:
        """One node; an unknown kind of node is refused."""
        if depth > DEEPEST:
            return self._refuse(node, "an expression of too many levels", f"at most {DEEPEST}, split over several tags")
        return self._leaf_or_arithmetic(node, depth)

    def _leaf_or_arithmetic(self, node: ast.expr, depth: int) -> _Part:
        match node:
            case ast.Constant():
                return self._number(node)
            case ast.Name():
                return self._word(node)
            case ast.UnaryOp():
                return self._unary(node, depth)
            case ast.BinOp(op=ast.Pow()):
                return self._power(node, depth)
            case ast.BinOp():
                return self._arithmetic(node, depth)
            case _:
                return self._structure(node, depth)

    def _structure(self, node: ast.expr, depth: int) -> _Part:
        match node:
            case ast.Compare():
                return self._comparison(node, depth)
            case ast.BoolOp():
                return self._junction(node, depth)
            case ast.IfExp():
                return self._choice(node, depth)
            case ast.Call():
                return self._call(node, depth)
            case _:
                return self._refuse(node, _kind_of(node), _ALLOWED)

    def note_unused(self) -> None:
        """A word that is declared and never used is a slip somewhere."""
        if self.faults:
            return  # it may stand in a part that was not walked, or be the one that was misspelt
        declared = [("inputs", word) for word in self._inputs] + [("constants", word) for word in self._constants]
        for about in declared:
            if about[1] not in self._seen:
                found = f'"{about[1]}", which the formula does not use'
                allowed, advice = "words of the formula", "Take it out."
                self.faults.append(FormulaFault(found=found, allowed=allowed, advice=advice, about=about))

    def in_unit(self, part: _Part, unit: Unit) -> Evaluate:
        """The result as it is declared; a pure number may be declared in per cent."""
        divisor = unit.factor
        if part.dimension == PURE and unit.dimension == _PERCENT:
            divisor = 0.01
        elif part.dimension is not None and part.dimension != unit.dimension:
            found = f"a result in {in_words(part.dimension)}"
            declared = f"{unit.text or 'no unit'}, as declared"
            coherent = in_words(unit.dimension)
            allowed = declared if coherent == (unit.text or "no unit") else f"{declared} (that is {coherent})"
            self.faults.append(FormulaFault(found=found, allowed=allowed, advice="Correct the formula or the unit."))
        evaluate = part.evaluate
        return lambda values: _rounded(_finite(evaluate(values) / divisor))

    def _refuse(self, node: ast.expr, found: str, allowed: str, advice: str = "") -> _Part:
        column = node.col_offset + 1
        self.faults.append(
            FormulaFault(found=f"{found} at column {column}", allowed=allowed, advice=advice, column=column)
        )
        return _FAULTY

    # --- leaves

    def _number(self, node: ast.Constant) -> _Part:
        value = _literal(node)
        if value is None or not math.isfinite(value):
            return self._refuse(node, "no number that can be computed with", _ALLOWED)
        return _Part(lambda _: value, PURE)

    def _word(self, node: ast.Name) -> _Part:
        word = node.id
        self._seen.add(word)
        if word in self._places:
            place, unit = self._places[word], self._inputs[word]
            self.looked_at.add(place)
            return _Part(_taken(place, unit.factor), unit.dimension)
        if word in self._constants:
            quantity = self._constants[word]
            value = quantity.value * quantity.unit.factor
            return _Part(lambda _: value, quantity.unit.dimension)
        declared = ", ".join([*self._inputs, *self._constants]) or "none"
        advice = f"Call {word}(...)." if word in FUNCTIONS or word in _WITH_MEMORY else ""
        return self._refuse(node, f'"{word}", which is not declared,', f"the words {declared}", advice)

    # --- arithmetic

    def _unary(self, node: ast.UnaryOp, depth: int) -> _Part:
        part = self.part(node.operand, depth + 1)
        evaluate = part.evaluate
        if isinstance(node.op, ast.USub):
            return _Part(lambda values: -evaluate(values), part.dimension)
        if isinstance(node.op, ast.Not):
            self._like(node, pure, [part], "not")
            return _Part(lambda values: 0.0 if evaluate(values) else 1.0, PURE)
        return self._refuse(node, _kind_of(node.op), _ALLOWED)

    def _arithmetic(self, node: ast.BinOp, depth: int) -> _Part:
        operation = _OPERATIONS.get(type(node.op))
        if operation is None:
            return self._refuse(node, _kind_of(node.op), _ALLOWED)
        left, right = self.part(node.left, depth + 1), self.part(node.right, depth + 1)
        first, second = left.evaluate, right.evaluate
        if isinstance(node.op, ast.Add | ast.Sub):
            dimension = self._like(node, alike, [left, right], "a sum or difference")
        elif left.dimension is None or right.dimension is None:
            dimension = None
        else:
            dimension = times(left.dimension, right.dimension, 1.0 if isinstance(node.op, ast.Mult) else -1.0)
        return _Part(lambda values: _finite(operation(first(values), second(values))), dimension)

    def _power(self, node: ast.BinOp, depth: int) -> _Part:
        base, exponent = self.part(node.left, depth + 1), _plain_number(node.right)
        if exponent is None or abs(exponent) > LARGEST_EXPONENT:
            allowed = f"a plain number from {-LARGEST_EXPONENT:g} to {LARGEST_EXPONENT:g} after **"
            return self._refuse(node.right, "another exponent", allowed)
        evaluate = base.evaluate
        dimension = None if base.dimension is None else raised(base.dimension, exponent)
        return _Part(lambda values: _finite(math.pow(evaluate(values), exponent)), dimension)

    # --- truths

    def _comparison(self, node: ast.Compare, depth: int) -> _Part:
        parts = [self.part(one, depth + 1) for one in (node.left, *node.comparators)]
        tests = [_TESTS.get(type(op)) for op in node.ops]
        self._like(node, alike, parts, "a comparison")
        known = [test for test in tests if test is not None]
        if len(known) < len(tests):
            return self._refuse(node, "another comparison", "< <= > >= == !=")
        return _Part(_compared([part.evaluate for part in parts], known), PURE)

    def _junction(self, node: ast.BoolOp, depth: int) -> _Part:
        parts = [self.part(one, depth + 1) for one in node.values]
        self._like(node, pure, parts, "and, or")
        terms = [part.evaluate for part in parts]
        if isinstance(node.op, ast.And):
            return _Part(lambda values: 1.0 if all(term(values) for term in terms) else 0.0, PURE)
        return _Part(lambda values: 1.0 if any(term(values) for term in terms) else 0.0, PURE)

    def _choice(self, node: ast.IfExp, depth: int) -> _Part:
        so, yes, no = (self.part(one, depth + 1) for one in (node.test, node.body, node.orelse))
        self._like(node, pure, [so], "a condition")
        dimension = self._like(node, alike, [yes, no], "if/else")
        test, first, second = so.evaluate, yes.evaluate, no.evaluate
        return _Part(lambda values: first(values) if test(values) else second(values), dimension)

    # --- functions

    def _call(self, node: ast.Call, depth: int) -> _Part:
        name = node.func.id if isinstance(node.func, ast.Name) else ""
        if node.keywords or any(isinstance(one, ast.Starred) for one in node.args):
            return self._refuse(node, "an argument by name or with a star", "arguments one after the other")
        if name in _WITH_MEMORY:
            return self._remembered(node, name, depth)
        parts = [self.part(one, depth + 1) for one in node.args]
        function = FUNCTIONS.get(name)
        if function is None:
            found = f'"{name}", which is no function,' if name else "a call of something else than a name"
            return self._refuse(node, found, f"the functions {', '.join([*FUNCTIONS, *_WITH_MEMORY])}")
        if not function.least <= len(parts) <= function.most:
            return self._refuse(node, f"{name} with {len(parts)} arguments", f"{name}({function.parameters})")
        return self._applied(node, name, function, parts)

    def _applied(self, node: ast.Call, name: str, function: Function, parts: Sequence[_Part]) -> _Part:
        dimension = self._like(node, function.dimension, parts, name)
        compute, arguments = function.compute, [part.evaluate for part in parts]
        return _Part(lambda values: _finite(compute([argument(values) for argument in arguments])), dimension)

    def _remembered(self, node: ast.Call, name: str, depth: int) -> _Part:
        """A function with a memory: its arguments are taken out of the formula, and the figure put in their place."""
        if self._within:
            found = f"{name} inside {self._within}" if name in _DAY_FUNCTIONS else f"{name} inside another memory"
            return self._refuse(node, found, "one function with a memory at a time")
        if name in _DAY_FUNCTIONS:
            return self._day_call(node, _DAY_FUNCTIONS[name], depth)
        return self._running_call(node, _RUNNING_FUNCTIONS[name], depth)

    def _arguments(self, node: ast.Call, name: str, depth: int) -> tuple[list[_Part], list[tuple[int, ...]]]:
        """The arguments of a function with a memory, and the inputs that each of them looks at."""
        outside, self._within = self.looked_at, name
        parts, inputs = [], []
        for one in node.args:
            self.looked_at = set()
            parts.append(self.part(one, depth + 1))
            inputs.append(tuple(sorted(self.looked_at)))
        self.looked_at, self._within = outside, ""
        return parts, inputs

    def _day_call(self, node: ast.Call, kind: DayFunction, depth: int) -> _Part:
        if not node.args or (len(node.args) > 1 and kind is not DayFunction.VALID):
            allowed = "one argument, or several for day_valid"
            return self._refuse(node, f"{kind.value} with {len(node.args)} arguments", f"{kind.value} with {allowed}")
        parts, inputs = self._arguments(node, "a function over the day", depth)
        call = DayCall(
            kind=kind,
            argument=_all_of([part.evaluate for part in parts]),
            inputs=tuple(sorted({place for places in inputs for place in places})),
            factor=self._factor_of_total(node.args[0]) if kind is DayFunction.INCREASE else 1.0,
        )
        self.days.append(call)
        return _Part(_taken(len(self._inputs) + len(self.days) - 1, 1.0), self._day_dimension(node, kind, parts))

    def _running_call(self, node: ast.Call, kind: RunningFunction, depth: int) -> _Part:
        words, counts = ("volume, flow[, most_flow]", (2, 3)) if kind is RunningFunction.AGE else ("x, window", (2,))
        if len(node.args) not in counts:
            return self._refuse(node, f"{kind.value} with {len(node.args)} arguments", f"{kind.value}({words})")
        parts, inputs = self._arguments(node, kind.value, depth)
        evaluates = tuple(part.evaluate for part in parts)
        if kind is RunningFunction.AGE:
            rule = of_units("m3", *["m3/s"] * (len(parts) - 1), result="s")
            dimension = self._like(node, rule, parts, kind.value)
            call = RunningCall(kind=kind, arguments=evaluates, inputs=tuple(inputs))
        else:
            dimension = self._over_a_window(node, kind, parts[0])
            window_ms = self._window_ms(node, parts[1])
            call = RunningCall(kind=kind, arguments=evaluates[:1], inputs=tuple(inputs[:1]), window_ms=window_ms)
        self.running.append(call)
        return _Part(_taken(-len(self.running), 1.0), dimension)

    def _over_a_window(self, node: ast.Call, kind: RunningFunction, part: _Part) -> Dimension | None:
        return self._like(node, pure, [part], kind.value) if kind is RunningFunction.SHARE else part.dimension

    def _window_ms(self, node: ast.Call, part: _Part) -> int:
        """The length of a window, which is a constant."""
        self._like(node, of_units("s", result="s"), [part], "the window")
        try:
            window_s = part.evaluate([])
        except (IndexError, ArithmeticError, ValueError):
            window_s = 0.0
        if SHORTEST_WINDOW_S <= window_s <= LONGEST_WINDOW_S:
            return round(window_s * 1_000)
        if part.dimension is not None:
            self._refuse(node, "a window of another length", "a constant from 1 min to 31 d, such as 24 h")
        return 0

    def _factor_of_total(self, node: ast.expr) -> float:
        unit = self._inputs.get(node.id) if isinstance(node, ast.Name) else None
        if unit is None:
            self._refuse(node, "something else than an input", "day_increase of one input, a running total")
        return 1.0 if unit is None else unit.factor

    def _day_dimension(self, node: ast.Call, kind: DayFunction, parts: Sequence[_Part]) -> Dimension | None:
        if kind is DayFunction.VALID:
            return PURE
        if kind is DayFunction.SHARE:
            self._like(node, pure, parts, kind.value)
            return PURE
        return parts[0].dimension

    # --- units

    def _like(
        self,
        node: ast.expr,
        rule: Callable[[Sequence[Dimension]], Dimension],
        parts: Sequence[_Part],
        where: str,
    ) -> Dimension | None:
        """What a rule makes of the kinds of parts; None when one of them is faulty or they do not fit."""
        known = [part.dimension for part in parts if part.dimension is not None]
        if len(known) < len(parts):
            return None
        try:
            return rule(known)
        except WrongKind as wrong:
            self._refuse(node, f"{wrong.found} in {where}", wrong.allowed, "Give numbers their units under constants.")
            return None


_OPERATIONS: Mapping[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: lambda left, right: left + right,
    ast.Sub: lambda left, right: left - right,
    ast.Mult: lambda left, right: left * right,
    ast.Div: lambda left, right: left / right,
}
_TESTS: Mapping[type[ast.cmpop], Callable[[float, float], bool]] = {
    ast.Lt: lambda left, right: left < right,
    ast.LtE: lambda left, right: left <= right,
    ast.Gt: lambda left, right: left > right,
    ast.GtE: lambda left, right: left >= right,
    ast.Eq: lambda left, right: left == right,
    ast.NotEq: lambda left, right: left != right,
}


def _kind_of(node: ast.AST) -> str:
    """A node in a word or two, such as ``an Attribute``."""
    name = type(node).__name__
    return f"{'an' if name[0] in 'AEIOU' else 'a'} {name}"


def _literal(node: ast.expr) -> float | None:
    """A number as it is written, infinite where it is too large; None for True, None and whatever else is constant."""
    value = node.value if isinstance(node, ast.Constant) else None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _plain_number(node: ast.expr) -> float | None:
    """A literal, with a sign or without."""
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        value = _literal(node.operand)
        return None if value is None else -value
    return _literal(node)


def _taken(place: int, factor: float) -> Evaluate:
    if factor == 1.0:
        return lambda values: values[place]
    return lambda values: _finite(values[place] * factor)


def _compared(terms: Sequence[Evaluate], tests: Sequence[Callable[[float, float], bool]]) -> Evaluate:
    """A chain such as a < b <= c: true when each test holds, and no further than the first that does not."""
    first, *others = terms
    steps = list(zip(tests, others, strict=True))

    def evaluate(values: Sequence[float]) -> float:
        left = first(values)
        for test, term in steps:
            right = term(values)
            if not test(left, right):
                return 0.0
            left = right
        return 1.0

    return evaluate


def _all_of(terms: Sequence[Evaluate]) -> Evaluate:
    """The first of several, after the others have shown that they have a value."""
    if len(terms) == 1:
        return terms[0]

    def evaluate(values: Sequence[float]) -> float:
        results = [term(values) for term in terms]
        return results[0]

    return evaluate


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise OverflowError("beyond all measure")
    return value


def _rounded(value: float) -> float:
    return float(f"{value:.{_SIGNIFICANT}g}")
