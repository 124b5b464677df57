"""Whether what a person enters afterwards can be taken, and the facts it becomes. Every fault of a row at once.

A row is a kind and fields, as texts; times are milliseconds UTC. Used at the
scan, and before that by the command, so that a file is refused with all of its
faults before anything is sent. Decides nothing about the plant.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from gateway.core.entry import Band, EntryKind, NotThat, band_of, number_of, result_of, within
from gateway.core.outcome import Fact

NEVER_CHECKED = 0
_EARLIEST_UTC_MS = 946_684_800_000  # 2000-01-01; before it a time is a slip
_LATEST_DUE_MS = 10 * 366 * 86_400_000

Row = Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRule:
    """How an instrument is checked.

    Args:
        band: within which it passes, in the unit of its tag.
        every_ms: so long after a check the next one is due; 0 when none is.
        grab_quantity: quantity of a grab sample that is a check of it; empty for none.
    """

    band: Band
    every_ms: int = 0
    grab_quantity: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryRules:
    """What can be entered at a site.

    Args:
        laboratory: parameter to its unit.
        checks: tag to how it is checked.
        gap_codes: code of a gap's reason to its words.
        roles: who may enter; empty for everybody of the people table.
    """

    laboratory: Mapping[str, str] = field(default_factory=dict)
    checks: Mapping[str, CheckRule] = field(default_factory=dict)
    gap_codes: Mapping[str, str] = field(default_factory=dict)
    roles: frozenset[str] = field(default_factory=frozenset)


NO_RULES = EntryRules()


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """The newest check of an instrument: when it was, and when the next one is due (0: never)."""

    utc_ms: int
    next_due_utc_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RowFault:
    """One thing that is wrong with a row.

    Args:
        field: which of its fields.
        text: what was found, what is allowed, what to do.
    """

    field: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What a row is judged against.

    Args:
        rules: of the site.
        units: tag to its unit.
        utc_ms: now.
        entered: number of an entry that a row corrects to the kind of that entry, as far as it exists.
    """

    rules: EntryRules
    units: Mapping[str, str]
    utc_ms: int
    entered: Mapping[str, str]


# Fields of each kind, those that must be given first.
FIELDS: Mapping[EntryKind, tuple[tuple[str, ...], tuple[str, ...]]] = {
    EntryKind.LABORATORY: (
        ("parameter", "point", "sampled", "method", "laboratory"),
        ("reported", "result", "unit", "not_sampled"),
    ),
    EntryKind.VERIFICATION: (
        ("tag", "time", "standard", "as_found"),
        ("as_left", "unit", "band", "standard_lot", "next_due"),
    ),
    EntryKind.CALIBRATION: (
        ("tag", "time", "standard", "as_found", "as_left"),
        ("unit", "band", "standard_lot", "next_due"),
    ),
    EntryKind.NOTE: (("time", "text"), ("tag",)),
    EntryKind.GAP_REASON: (("tag", "from", "to", "code"), ("text",)),
    EntryKind.CHEMICAL_DELIVERY: (
        ("chemical", "time", "amount", "unit", "level_before", "level_after", "strength_percent"),
        ("batch",),
    ),
    EntryKind.TELEPHONE_NOTICE: (("time", "from", "told"), ("text",)),
    EntryKind.PROOF_TEST: (("function", "time", "passed"), ("text", "next_due")),
}
EVERY_KIND = ("corrects", "reason")  # may stand in a row of any kind
IDENTITY = "identity"  # of a row of a file, so that entered twice it is known to be the same
TIMES = frozenset({"sampled", "reported", "time", "next_due", "from", "to"})


def judged(row: Row, known: Known) -> tuple[dict[str, Fact], tuple[RowFault, ...]]:
    """The facts of an entry, and everything that is wrong with it; without a fault the facts are whole."""
    kind = kind_of(row)
    if kind is None:
        allowed = ", ".join(one.value for one in FIELDS)
        return {}, (RowFault(field="kind", text=f"{row.get('kind', '')!r} is no kind of entry; one of {allowed}"),)
    reading = _Reading(row, known)
    reading.check_fields(kind)
    facts = _READERS[kind](reading)
    facts |= reading.correction(kind)
    facts |= {IDENTITY: row[IDENTITY]} if IDENTITY in row else {}
    return {"entry": kind.value, **facts}, tuple(reading.faults)


def kind_of(row: Row) -> EntryKind | None:
    """The kind that a row names; None when it names none that is entered so."""
    return next((one for one in FIELDS if one.value == row.get("kind")), None)


def overdue(rules: EntryRules, checked: Mapping[str, Checked], utc_ms: int) -> dict[str, int]:
    """Instruments whose check is overdue, and since when; since ``NEVER_CHECKED`` when none is on record."""
    due = {tag: checked[tag].next_due_utc_ms if tag in checked else NEVER_CHECKED for tag in rules.checks}
    return {
        tag: due[tag]
        for tag, rule in rules.checks.items()
        if (due[tag] and due[tag] <= utc_ms) or (tag not in checked and rule.every_ms)
    }


def after_check(checked: Mapping[str, Checked], facts: Mapping[str, Fact]) -> Mapping[str, Checked]:
    """The newest checks after one was entered; an older one counts only as a correction."""
    tag, utc_ms = str(facts["tag"]), int(facts["utc_ms"])
    if tag in checked and utc_ms < checked[tag].utc_ms and not facts.get("corrects"):
        return checked
    return {**checked, tag: Checked(utc_ms=utc_ms, next_due_utc_ms=int(facts["next_due_utc_ms"]))}


def check_facts(rule: CheckRule, *, tag: str, utc_ms: int, standard: float, shown: float) -> dict[str, Fact]:
    """A grab sample as a check of the analyzer: the sample is the standard, and nothing is done to the analyzer."""
    return {
        "entry": EntryKind.VERIFICATION.value,
        "tag": tag,
        "utc_ms": utc_ms,
        "standard": standard,
        "as_found": shown,
        "as_left": shown,
        **_band_facts(rule.band),
        "passed": within(rule.band, standard=standard, shown=shown),
        "standard_lot": "grab sample",
        "next_due_utc_ms": utc_ms + rule.every_ms if rule.every_ms else 0,
    }


def _band_facts(band: Band) -> dict[str, Fact]:
    return {"band": band.text, "band_absolute": band.absolute, "band_relative": band.relative}


class _Reading:
    """One row while it is read: fields by name, and the faults found so far."""

    def __init__(self, row: Row, known: Known) -> None:
        self.row = row
        self.known = known
        self.faults: list[RowFault] = []

    def check_fields(self, kind: EntryKind) -> None:
        """What must be there is there, and nothing else."""
        needed, optional = FIELDS[kind]
        allowed = (*needed, *optional, *EVERY_KIND)
        for name in needed:
            if not self.text(name):
                self.fault(name, f"is empty; a {kind.value} entry needs {', '.join(needed)}")
        for name, value in self.row.items():
            if name not in {"kind", IDENTITY, *allowed} and value.strip():
                self.fault(name, f"has {value!r}; a {kind.value} entry has {', '.join(allowed)}")

    def fault(self, name: str, text: str) -> None:
        self.faults.append(RowFault(field=name, text=text))

    def text(self, name: str) -> str:
        return self.row.get(name, "").strip()

    def number(self, name: str, *, least: float | None = None, otherwise: float = 0.0) -> float:
        if not self.text(name):
            return otherwise
        try:
            value = number_of(self.text(name))
        except NotThat as why:
            self.fault(name, str(why))
            return otherwise
        if least is not None and value < least:
            self.fault(name, f"{value:g} is too little; at least {least:g}")
        return value

    def time(self, name: str, *, otherwise: int = 0) -> int:
        """A time that has passed."""
        utc_ms = self._stamp(name, otherwise)
        if self.text(name) and utc_ms > self.known.utc_ms:
            ahead_min = (utc_ms - self.known.utc_ms) / 60_000
            self.fault(name, f"lies {ahead_min:.0f} min in the future of the site's clock; enter it when it has been")
        return utc_ms

    def due(self, checked_utc_ms: int, every_ms: int) -> int:
        """When the next check is due; 0 when nobody says."""
        utc_ms = self._stamp("next_due", checked_utc_ms + every_ms if every_ms else 0)
        if utc_ms and not checked_utc_ms < utc_ms <= checked_utc_ms + _LATEST_DUE_MS:
            self.fault("next_due", "is not after the check, or more than ten years; say when it is checked next")
        return utc_ms

    def _stamp(self, name: str, otherwise: int) -> int:
        text = self.text(name)
        if not text:
            return otherwise
        if not (text.isascii() and text.isdigit() and len(text) < len("9" * 15)) or int(text) < _EARLIEST_UTC_MS:
            self.fault(name, f"{text!r} is no time after 2000-01-01 in milliseconds UTC")
            return otherwise
        return int(text)

    def tag(self) -> str:
        tag = self.text("tag")
        if tag and tag not in self.known.units:
            self.fault("tag", f"{tag!r} is no tag of this site; see `purplegate tags` for their names")
        return tag

    def unit(self, declared: str, of: str) -> str:
        given = self.text("unit")
        if given and given != declared:
            self.fault("unit", f"{given!r} is not the unit of {of}, which is {declared!r}; convert the figures")
        return declared

    def band(self, tag: str) -> Band:
        """The band of the entry, else of the site."""
        rule, text = self.known.rules.checks.get(tag), self.text("band")
        none = Band(text="", absolute=0.0, relative=0.0, unit="")
        if not text:
            if rule is None:
                self.fault(
                    "band", f"is empty, and the site says none for {tag!r}; write for instance '0.1 mg/L or 15 %'"
                )
            return none if rule is None else rule.band
        try:
            band = band_of(text)
        except NotThat as why:
            self.fault("band", str(why))
            return none
        if band.unit and band.unit != self.known.units.get(tag, band.unit):
            self.fault("band", f"is in {band.unit!r}; the unit of {tag} is {self.known.units[tag]!r}")
        return band

    def correction(self, kind: EntryKind) -> dict[str, Fact]:
        """What the row corrects, and why; it must be there and of the same kind."""
        number, reason = self.text("corrects"), self.text("reason")
        if not number:
            if reason:
                self.fault("reason", f"has {reason!r}; only a correction has a reason: say also what it corrects")
            return {}
        found = self.known.entered.get(number)
        if found is None:
            self.fault("corrects", f"{number!r} is no entry of this site; `purplegate entries` lists their numbers")
        elif found != kind.value:
            self.fault("corrects", f"entry {number} is of kind {found}, not {kind.value}; correct it by its own kind")
        if not reason:
            self.fault("reason", "is empty; a correction says why")
        return {"corrects": int(number) if found is not None else 0, "reason": reason}


# --- one kind each -----------------------------------------------------------------------------------------------


def _laboratory(reading: _Reading) -> dict[str, Fact]:
    parameter, missed = reading.text("parameter"), reading.text("not_sampled")
    parameters = reading.known.rules.laboratory
    if parameter and parameter not in parameters:
        reading.fault("parameter", f"{parameter!r} is none of this site: {', '.join(parameters) or 'there are none'}")
    unit = reading.unit(parameters[parameter], parameter) if parameter in parameters else ""
    sampled = reading.time("sampled")
    reported = reading.time("reported", otherwise=sampled if missed else 0)
    if reading.text("reported") and reported < sampled:
        reading.fault("reported", "is before the sample was taken; one of the two times is wrong")
    if missed and reading.text("result"):
        reading.fault("result", f"{reading.text('result')!r} beside not_sampled; leave one of them empty")
    if not missed and not reading.text("reported"):
        reading.fault("reported", "is empty; say when the result was told, or why there is none under not_sampled")
    return {
        "parameter": parameter,
        "point": reading.text("point"),
        "sampled_utc_ms": sampled,
        "reported_utc_ms": reported,
        **_result_facts(reading, unit, missed=bool(missed)),
        "method": reading.text("method"),
        "laboratory": reading.text("laboratory"),
        "not_sampled": missed,
    }


def _result_facts(reading: _Reading, unit: str, *, missed: bool) -> dict[str, Fact]:
    nothing: dict[str, Fact] = {"result": "", "qualifier": "", "value": 0.0, "unit": unit}
    if missed:
        return nothing
    try:
        result = result_of(reading.text("result"), unit)
    except NotThat as why:
        reading.fault("result", str(why))
        return nothing
    return {"result": result.text, "qualifier": result.qualifier, "value": result.value, "unit": unit}


def _check(reading: _Reading) -> dict[str, Fact]:
    tag, utc_ms = reading.tag(), reading.time("time")
    rule = reading.known.rules.checks.get(tag)
    band = reading.band(tag)
    if tag in reading.known.units:
        reading.unit(reading.known.units[tag], tag)
    standard, as_found = reading.number("standard"), reading.number("as_found")
    return {
        "tag": tag,
        "utc_ms": utc_ms,
        "standard": standard,
        "as_found": as_found,
        "as_left": reading.number("as_left", otherwise=as_found),
        **_band_facts(band),
        "passed": within(band, standard=standard, shown=as_found),
        "standard_lot": reading.text("standard_lot"),
        "next_due_utc_ms": reading.due(utc_ms, 0 if rule is None else rule.every_ms),
    }


def _note(reading: _Reading) -> dict[str, Fact]:
    return {"utc_ms": reading.time("time"), "text": reading.text("text"), "tag": reading.tag()}


def _gap_reason(reading: _Reading) -> dict[str, Fact]:
    tag = "*" if reading.text("tag") == "*" else reading.tag()
    begin, end, codes = reading.time("from"), reading.time("to"), reading.known.rules.gap_codes
    if reading.text("from") and reading.text("to") and end <= begin:
        reading.fault("to", "is not after from; one of the two times is wrong")
    code = reading.text("code")
    if code and code not in codes:
        reading.fault("code", f"{code!r} is no reason of this site: {', '.join(codes) or 'there are none'}")
    return {"tag": tag, "from_utc_ms": begin, "to_utc_ms": end, "code": code, "text": reading.text("text")}


def _delivery(reading: _Reading) -> dict[str, Fact]:
    return {
        "utc_ms": reading.time("time"),
        "chemical": reading.text("chemical"),
        "amount": reading.number("amount", least=0.0),
        "level_before": reading.number("level_before", least=0.0),
        "level_after": reading.number("level_after", least=0.0),
        "unit": reading.text("unit"),
        "strength_percent": _strength(reading),
        "batch": reading.text("batch"),
    }


def _strength(reading: _Reading) -> float:
    strength = reading.number("strength_percent", least=0.0)
    if strength > 100:  # noqa: PLR2004 - per cent
        reading.fault("strength_percent", f"{strength:g} % is more than all of it; at most 100")
    return strength


def _notice(reading: _Reading) -> dict[str, Fact]:
    called, since = reading.time("time"), reading.time("from")
    if reading.text("time") and called < since:
        reading.fault("time", "is before from, the begin of what was told; one of the two times is wrong")
    return {"utc_ms": called, "from_utc_ms": since, "told": reading.text("told"), "text": reading.text("text")}


def _proof_test(reading: _Reading) -> dict[str, Fact]:
    utc_ms, passed = reading.time("time"), reading.text("passed")
    if passed and passed not in {"yes", "no"}:
        reading.fault("passed", f"{passed!r} is neither yes nor no; write one of them")
    return {
        "function": reading.text("function"),
        "utc_ms": utc_ms,
        "passed": passed == "yes",
        "text": reading.text("text"),
        "next_due_utc_ms": reading.due(utc_ms, 0),
    }


_READERS = {
    EntryKind.LABORATORY: _laboratory,
    EntryKind.VERIFICATION: _check,
    EntryKind.CALIBRATION: _check,
    EntryKind.NOTE: _note,
    EntryKind.GAP_REASON: _gap_reason,
    EntryKind.CHEMICAL_DELIVERY: _delivery,
    EntryKind.TELEPHONE_NOTICE: _notice,
    EntryKind.PROOF_TEST: _proof_test,
}


def subject_of(facts: Mapping[str, Fact]) -> str:
    """What an entry is about: tag, parameter, chemical or function; empty for one about nothing of these."""
    return next((str(facts[name]) for name in ("tag", "parameter", "chemical", "function") if facts.get(name)), "")


def faults_told(rows: Sequence[Row], known: Known) -> Iterator[tuple[int, RowFault]]:
    """Every fault of every row, with the place of the row from 0."""
    for place, row in enumerate(rows):
        for fault in judged(row, known)[1]:
            yield place, fault
