"""What people enter afterwards: results, checks of instruments, notes and reasons. Values, and how they are read.

An entry is a line of the journal and is never edited: a correction is a new
entry that names the number of the one it corrects, and why. Decides what a
figure with its qualifier is, whether a check lies within its band, and which
readings a failed check puts in doubt. Never whether somebody may enter it;
that is ``gateway/core/entering.py``. Times are milliseconds UTC.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Protocol, TypeVar

from gateway.core.outcome import Fact

ONE_VISIT_MS = 4 * 3_600_000  # checks of one instrument so close together are one check; common practice, no source
_DIGITS = frozenset("0123456789")
_EXACT_DIGITS = 9  # a difference of 0.1 in the decimals people write must not miss 0.1 by how a machine keeps it


class EntryKind(Enum):
    """What can be entered."""

    GRAB = "grab"
    LABORATORY = "laboratory"
    CALIBRATION = "calibration"
    VERIFICATION = "verification"
    NOTE = "note"
    GAP_REASON = "gap_reason"
    CHEMICAL_DELIVERY = "chemical_delivery"
    TELEPHONE_NOTICE = "telephone_notice"
    PROOF_TEST = "proof_test"


class NotThat(ValueError):  # noqa: N818 - named for what is the case
    """A text is not what it has to be; the message says what was found, what is allowed and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One figure with its qualifier; "<1.8" stays "<1.8".

    Args:
        qualifier: "" for the figure itself, "<" for less than it, ">" for more.
        value: finite and not negative.
        unit: of the value.
        text: as the laboratory wrote it.
    """

    qualifier: str
    value: float
    unit: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """How far a reading may be from its standard: within one part or the other.

    Args:
        text: as written, such as "0.1 mg/L or 15 %".
        absolute: in the unit; 0 when none is given.
        relative: share of the standard, 0.15 for 15 %; 0 when none is given.
        unit: of the absolute part; empty when there is none.
    """

    text: str
    absolute: float
    relative: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryResult:
    """A result of a laboratory or of the bench, or why a sample that was due was not taken.

    Args:
        n: of the journal's line.
        parameter: what was measured, a name of the site's laboratory parameters.
        point: where the sample was taken.
        sampled_utc_ms: when it was taken, or due.
        reported_utc_ms: when the result was told; not before it was sampled.
        result: the figure; of value 0 without a text where nothing was sampled.
        method: of the laboratory.
        laboratory: who measured.
        person: who entered it.
        corrects: number of the entry that it corrects; 0 for none.
        reason: of the correction.
        not_sampled: why there is no sample; empty where there is one.
    """

    n: int
    parameter: str
    point: str
    sampled_utc_ms: int
    reported_utc_ms: int
    result: Result
    method: str
    laboratory: str
    person: str
    corrects: int = 0
    reason: str = ""
    not_sampled: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """A check of an instrument against a standard, or its calibration.

    Args:
        n: of the journal's line.
        tag: of the instrument.
        utc_ms: when.
        standard: what it should have read, in the unit of the tag.
        as_found: what it read before anything was done to it.
        as_left: what it read afterwards.
        band: as written.
        band_absolute: in the unit of the tag; 0 for none.
        band_relative: share of the standard; 0 for none.
        passed: whether it was within the band as found.
        kind: "verification" or "calibration".
        standard_lot: of the standard.
        next_due_utc_ms: when it is to be checked again; 0 when no interval is known.
        person: who entered it.
        corrects: number of the entry that it corrects; 0 for none.
        reason: of the correction.
    """

    n: int
    tag: str
    utc_ms: int
    standard: float
    as_found: float
    as_left: float
    band: str
    band_absolute: float
    band_relative: float
    passed: bool
    kind: str
    standard_lot: str
    next_due_utc_ms: int
    person: str
    corrects: int = 0
    reason: str = ""

    @property
    def left_good(self) -> bool:
        """Whether it was within the band when the person left it."""
        return _within(self.standard, self.as_left, self.band_absolute, self.band_relative)


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """What a person wants to be read later, at its time; may be about a tag."""

    n: int
    utc_ms: int
    text: str
    person: str
    tag: str = ""
    corrects: int = 0
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GapReason:
    """Why data are missing between two times; tag ``*`` means every tag."""

    n: int
    tag: str
    from_utc_ms: int
    to_utc_ms: int
    code: str
    text: str
    person: str
    corrects: int = 0
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChemicalDelivery:
    """A chemical that was filled in: amount and tank levels in ``unit``, strength in per cent by mass."""

    n: int
    utc_ms: int
    chemical: str
    amount: float
    level_before: float
    level_after: float
    unit: str
    strength_percent: float
    batch: str
    person: str
    corrects: int = 0
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TelephoneNotice:
    """A call to the authority: when, to whom, and since when what it told of had lasted."""

    n: int
    utc_ms: int
    from_utc_ms: int
    to: str
    text: str
    person: str
    corrects: int = 0
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofTest:
    """A test of an alarm, interlock or valve: what came of it, and when the next one is due (0: nobody says)."""

    n: int
    utc_ms: int
    function: str
    passed: bool
    text: str
    next_due_utc_ms: int
    person: str
    corrects: int = 0
    reason: str = ""


Entry = LaboratoryResult | Verification | Note | GapReason | ChemicalDelivery | TelephoneNotice | ProofTest


# --- what people write -------------------------------------------------------------------------------------------


def number_of(text: str) -> float:
    """A plain decimal number, such as 2, 0.05 or -1.5.

    Raises:
        NotThat: it is none, or not finite.
    """
    body = text.strip().removeprefix("-")
    whole, _, part = body.partition(".")
    if not (whole + part) or not set(whole + part) <= _DIGITS or not math.isfinite(float(body)):
        advice = "write it with a decimal point, without thousands" if "," in text else "write for instance 2 or 0.05"
        raise NotThat(f"{text!r} is no number; {advice}")
    return float(text)


def result_of(text: str, unit: str) -> Result:
    """A result as a laboratory writes it: ``<1.8``, ``> 2419.6``, ``2``.

    Args:
        text: the figure, with ``<`` or ``>`` before it where it has one.
        unit: of the figure.

    Raises:
        NotThat: it is no figure that is not negative.
    """
    body = text.strip()
    qualifier = body[0] if body[:1] in {"<", ">"} else ""
    try:
        value = number_of(body.removeprefix(qualifier))
    except NotThat:
        value = -1.0
    if value < 0:
        advice = "write a figure that is not negative, with < or > before it where it has one: 2, <1.8, >2419.6"
        raise NotThat(f"{text!r} is no result; {advice}")
    return Result(qualifier=qualifier, value=value, unit=unit, text=body)


def band_of(text: str) -> Band:
    """A band as people write it: ``0.1 mg/L or 15 %``, ``10 %``, ``0.05 NTU``.

    Raises:
        NotThat: it has no part, one of them twice, or a part that is no positive number with its unit.
    """
    absolute, relative, unit = 0.0, 0.0, ""
    advice = "write for instance '0.1 mg/L or 15 %', '10 %' or '0.05 NTU'"
    for part in text.removeprefix("within ").split(" or "):
        number, _, words = part.strip().partition(" ")
        if number.endswith("%"):
            number, words = number.removesuffix("%"), f"% {words}"
        size, words = _positive(number), words.strip()
        mixed = "%" in words and words != "%"
        if not size or not words or mixed or (relative if words == "%" else absolute):
            raise NotThat(f"{text!r} is no band; {advice}")
        if words == "%":
            relative = size / 100
        else:
            absolute, unit = size, words
    return Band(text=text.strip(), absolute=absolute, relative=relative, unit=unit)


def _positive(text: str) -> float:
    """The number, or 0 when it is no positive one."""
    try:
        return max(0.0, number_of(text))
    except NotThat:
        return 0.0


def within(band: Band, *, standard: float, shown: float) -> bool:
    """Whether a reading is no farther from its standard than the wider part of the band."""
    return _within(standard, shown, band.absolute, band.relative)


def _within(standard: float, shown: float, absolute: float, relative: float) -> bool:
    allowed = max(absolute, relative * abs(standard))
    return round(abs(shown - standard), _EXACT_DIGITS) <= round(allowed, _EXACT_DIGITS)


# --- as facts of the journal -------------------------------------------------------------------------------------


def entry_of(kind: EntryKind, *, n: int, person: str, facts: Mapping[str, Fact]) -> Entry:
    """The entry that a line of the journal holds.

    Args:
        kind: of the entry; a grab sample is a line of its own kind, and not read here.
        n: number of the line.
        person: who entered it.
        facts: of the line, as ``entering`` made them.

    Raises:
        KeyError: a fact is missing that this kind has.
        ValueError: it is a grab sample.
    """
    match kind:
        case EntryKind.LABORATORY:
            return _laboratory(n, person, facts)
        case EntryKind.VERIFICATION | EntryKind.CALIBRATION:
            return _verification(kind, n, person, facts)
        case EntryKind.GRAB:
            raise ValueError("a grab sample is a line of the journal of its own kind")
        case _:
            return _ENTRIES[kind](n, person, facts)


def _note(n: int, person: str, facts: Mapping[str, Fact]) -> Note:
    return Note(
        utc_ms=int(facts["utc_ms"]),
        text=str(facts["text"]),
        tag=str(facts.get("tag", "")),
        n=n,
        person=person,
        corrects=_corrects(facts),
        reason=_why(facts),
    )


def _laboratory(n: int, person: str, facts: Mapping[str, Fact]) -> LaboratoryResult:
    return LaboratoryResult(
        n=n,
        person=person,
        parameter=str(facts["parameter"]),
        point=str(facts["point"]),
        sampled_utc_ms=int(facts["sampled_utc_ms"]),
        reported_utc_ms=int(facts["reported_utc_ms"]),
        result=Result(
            qualifier=str(facts["qualifier"]),
            value=float(facts["value"]),
            unit=str(facts["unit"]),
            text=str(facts["result"]),
        ),
        method=str(facts["method"]),
        laboratory=str(facts["laboratory"]),
        not_sampled=str(facts["not_sampled"]),
        corrects=_corrects(facts),
        reason=_why(facts),
    )


def _verification(kind: EntryKind, n: int, person: str, facts: Mapping[str, Fact]) -> Verification:
    return Verification(
        n=n,
        person=person,
        kind=kind.value,
        tag=str(facts["tag"]),
        utc_ms=int(facts["utc_ms"]),
        standard=float(facts["standard"]),
        as_found=float(facts["as_found"]),
        as_left=float(facts["as_left"]),
        band=str(facts["band"]),
        band_absolute=float(facts["band_absolute"]),
        band_relative=float(facts["band_relative"]),
        passed=bool(facts["passed"]),
        standard_lot=str(facts["standard_lot"]),
        next_due_utc_ms=int(facts["next_due_utc_ms"]),
        corrects=_corrects(facts),
        reason=_why(facts),
    )


def _gap_reason(n: int, person: str, facts: Mapping[str, Fact]) -> GapReason:
    return GapReason(
        n=n,
        person=person,
        tag=str(facts["tag"]),
        from_utc_ms=int(facts["from_utc_ms"]),
        to_utc_ms=int(facts["to_utc_ms"]),
        code=str(facts["code"]),
        text=str(facts["text"]),
        corrects=_corrects(facts),
        reason=_why(facts),
    )


def _delivery(n: int, person: str, facts: Mapping[str, Fact]) -> ChemicalDelivery:
    return ChemicalDelivery(
        n=n,
        person=person,
        utc_ms=int(facts["utc_ms"]),
        chemical=str(facts["chemical"]),
        amount=float(facts["amount"]),
        level_before=float(facts["level_before"]),
        level_after=float(facts["level_after"]),
        unit=str(facts["unit"]),
        strength_percent=float(facts["strength_percent"]),
        batch=str(facts["batch"]),
        corrects=_corrects(facts),
        reason=_why(facts),
    )


def _notice(n: int, person: str, facts: Mapping[str, Fact]) -> TelephoneNotice:
    return TelephoneNotice(
        n=n,
        person=person,
        utc_ms=int(facts["utc_ms"]),
        from_utc_ms=int(facts["from_utc_ms"]),
        to=str(facts["told"]),
        text=str(facts["text"]),
        corrects=_corrects(facts),
        reason=_why(facts),
    )


def _proof_test(n: int, person: str, facts: Mapping[str, Fact]) -> ProofTest:
    return ProofTest(
        n=n,
        person=person,
        utc_ms=int(facts["utc_ms"]),
        function=str(facts["function"]),
        passed=bool(facts["passed"]),
        text=str(facts["text"]),
        next_due_utc_ms=int(facts["next_due_utc_ms"]),
        corrects=_corrects(facts),
        reason=_why(facts),
    )


_ENTRIES: Mapping[EntryKind, Callable[[int, str, Mapping[str, Fact]], Entry]] = {
    EntryKind.NOTE: _note,
    EntryKind.GAP_REASON: _gap_reason,
    EntryKind.CHEMICAL_DELIVERY: _delivery,
    EntryKind.TELEPHONE_NOTICE: _notice,
    EntryKind.PROOF_TEST: _proof_test,
}


def _corrects(facts: Mapping[str, Fact]) -> int:
    return int(facts.get("corrects", 0))


def _why(facts: Mapping[str, Fact]) -> str:
    return str(facts.get("reason", ""))


# --- what follows from them --------------------------------------------------------------------------------------


class _Correcting(Protocol):
    @property
    def n(self) -> int: ...
    @property
    def corrects(self) -> int: ...


Corrigible = TypeVar("Corrigible", bound=_Correcting)


def in_force(entries: Iterable[Corrigible]) -> tuple[Corrigible, ...]:
    """The entries that no other one corrects, in their order."""
    found = tuple(entries)
    corrected = {one.corrects for one in found}
    return tuple(one for one in found if one.n not in corrected)


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """Readings that a failed check puts in doubt.

    Args:
        tag: of the instrument.
        from_utc_ms: when it was last known to be good; 0 when no good check came before.
        to_utc_ms: when it was good again, or now.
        failed: number of the entry that failed, the first of them.
    """

    tag: str
    from_utc_ms: int
    to_utc_ms: int
    failed: int


def doubtful_spans(entries: Iterable[Verification], now_utc_ms: int) -> tuple[Doubt, ...]:
    """What failed checks put in doubt: from the last good check before, until the instrument is good again.

    An instrument is good again when a later check passes, or at once when the
    person has left it within the band. Checks of one instrument less than
    ``ONE_VISIT_MS`` apart, such as two standards, are one: it fails with any of them.

    Args:
        entries: all of them, corrected ones too; in any order.
        now_utc_ms: where a span ends that has not ended.
    """
    sound = sorted(in_force(entries), key=lambda one: (one.tag, one.utc_ms, one.n))
    by_tag = {tag: [one for one in sound if one.tag == tag] for tag in dict.fromkeys(one.tag for one in sound)}
    return tuple(doubt for tag, checks in by_tag.items() for doubt in _of_tag(tag, _visits(checks), now_utc_ms))


def _visits(checks: Sequence[Verification]) -> list[list[Verification]]:
    visits = [[checks[0]]]
    for one in checks[1:]:
        if one.utc_ms - visits[-1][-1].utc_ms < ONE_VISIT_MS:
            visits[-1].append(one)
        else:
            visits.append([one])
    return visits


def _of_tag(tag: str, visits: Sequence[Sequence[Verification]], now_utc_ms: int) -> list[Doubt]:
    found: list[Doubt] = []
    good_utc_ms, failed = 0, 0  # when it was last good, and which check has failed since
    for visit in visits:
        end_utc_ms = visit[-1].utc_ms
        bad = next((one.n for one in visit if not one.passed), 0)
        failed = failed or bad
        good = not bad or all(one.left_good for one in visit)
        if good and failed:
            found.append(Doubt(tag=tag, from_utc_ms=good_utc_ms, to_utc_ms=end_utc_ms, failed=failed))
        if good:
            good_utc_ms, failed = end_utc_ms, 0
    if failed:
        found.append(Doubt(tag=tag, from_utc_ms=good_utc_ms, to_utc_ms=now_utc_ms, failed=failed))
    return found
