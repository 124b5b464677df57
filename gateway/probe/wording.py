"""What the probe found, in words. Words and layout only; asks and decides nothing. Pure."""

from collections.abc import Iterator, Mapping, Sequence
from statistics import median

from gateway.drivers.modbus.codec import Encoding, words
from gateway.probe.asking import Outcome, Tally
from gateway.probe.finder import CLEAR_BITS, LIKELY_BITS, LOOPS, Anchor, Candidate, Found
from gateway.probe.units import Unit

_S_PER_MIN = 60.0
_MINUTES_FROM_S = 90.0
_AT_HOME_BITS = 1.0  # the words around read as well as they can

EXCEPTIONS: Mapping[int, str] = {
    1: "illegal function",
    2: "illegal address",
    3: "illegal value",
    4: "device failure",
    5: "acknowledged, works on it",
    6: "busy",
    8: "memory parity",
    10: "gateway path unavailable",
    11: "gateway target does not respond",
}
"""Modbus Application Protocol V1.1b3, section 7."""

_COUNTED = {
    Outcome.ANSWERS: "answered",
    Outcome.REFUSES: "refused",
    Outcome.ABSENT: "not reached by the converter",
    Outcome.SILENT: "without a reply",
    Outcome.GARBLED: "with something else",
}


def duration(seconds: float) -> str:
    """A duration as people say it."""
    if seconds < _MINUTES_FROM_S:
        return f"{seconds:.0f} s"
    return f"{seconds / _S_PER_MIN:.0f} min"


def exception_text(code: int) -> str:
    """An exception with its name."""
    name = EXCEPTIONS.get(code, "of the maker's own")
    return f"exception {code}, {name}"


def unit_text(unit: Unit) -> str:
    """What one unit id did."""
    said = {
        Outcome.ANSWERS: "answers",
        Outcome.REFUSES: f"refuses ({exception_text(unit.reply.code)}): a device is there",
        Outcome.ABSENT: f"not there, says the converter ({exception_text(unit.reply.code)})",
        Outcome.SILENT: "silent",
        Outcome.GARBLED: f"something comes that is no reply: {unit.reply.text}",
    }[unit.reply.outcome]
    stray = "; something else came first" if unit.stray and unit.reply.outcome is not Outcome.GARBLED else ""
    return f"unit {unit.unit_id:>3}  {said}{stray}"


def tally_text(tally: Tally) -> str:
    """Reply times and errors of one unit."""
    failed = [f"{count} {_COUNTED[what]}" for what, count in tally.counts.items() if what is not Outcome.ANSWERS]
    errors = f"; {', '.join(failed)}" if failed else "; no error"
    return f"{tally.asked} request{'' if tally.asked == 1 else 's'}, {_times(tally.took_s)}{errors}"


def _times(took_s: Sequence[float]) -> str:
    if not took_s:
        return "no reply time"
    least, middle, most = (1_000 * one for one in (min(took_s), median(took_s), max(took_s)))
    return f"reply after {least:.0f} / {middle:.0f} / {most:.0f} ms (least / median / most)"


def units_text(units: Sequence[Unit], tallies: Mapping[int, Tally], wanted: int) -> str:
    """Everybody who is there, with reply times, and what is to be thought of the rest."""
    there = [unit for unit in units if unit.there]
    lines = [f"{unit_text(unit)}\n          {tally_text(tallies[unit.unit_id])}" for unit in there]
    lines += [unit_text(unit) for unit in units if unit.reply.outcome is Outcome.GARBLED]
    if len(units) < wanted:
        lines.append(f"stopped after {len(units)} of {wanted} unit ids")
    lines.append(_summary(units, there))
    lines += _advice(units)
    return "\n".join(lines)


def _summary(units: Sequence[Unit], there: Sequence[Unit]) -> str:
    silent = sum(unit.reply.outcome is Outcome.SILENT for unit in units)
    absent = sum(unit.reply.outcome is Outcome.ABSENT for unit in units)
    behind = f", {absent} not there by the converter's word" if absent else ""
    devices = f"{len(there)} unit{'' if len(there) == 1 else 's'} there"
    return f"{devices}, {silent} silent{behind}, {len(units)} asked"


def _advice(units: Sequence[Unit]) -> Iterator[str]:
    everybody = len(units) > 1 and all(unit.there for unit in units)
    if everybody:
        yield "every unit id answers: this may be one device that does not look at the unit id"
    if any(unit.stray for unit in units):
        yield "bytes came that did not belong to the request: a unit may answer late; try a longer --reply-timeout"
    if any(unit.reply.outcome is Outcome.GARBLED for unit in units):
        yield "what came could not be read: look at baud rate and parity, and whether two devices have one unit id"
    if not any(unit.there for unit in units):
        yield "nobody answers: look at wiring, framing, baud rate and parity, or wait longer with --reply-timeout"


# --- find ---


def ranking_text(
    found: Sequence[Found],
    anchors: Sequence[Anchor],
    *,
    most: int,
    counts_from: int | None,
    span: tuple[float, float] | None,
) -> str:
    """The candidates, best first, each with its reasons and the keys to paste."""
    shown = ", ".join(anchor.displayed for anchor in anchors)
    if not found:
        return f"nothing fits {shown}. {_NOTHING_FITS}"
    lines = [f"{_count(len(found), 'decode')} fit{'s' if len(found) == 1 else ''} {shown}", ""]
    for number, one in enumerate(found[:most], start=1):
        lines += [*_one_found(number, one, anchors, counts_from, span), ""]
    if len(found) > most:
        lines += [f"and {len(found) - most} more (--show)", ""]
    lines.append(_verdict(found, anchors))
    return "\n".join(lines)


_NOTHING_FITS = (
    "Ask for more addresses or the other table; say --within when the value moves while it is read; "
    "--range LO HI looks for counts of a 4-20 mA loop. A mistyped anchor fits nothing: look into the file."
)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _verdict(found: Sequence[Found], anchors: Sequence[Anchor]) -> str:
    again = "read again with --anchors when the display has moved"
    if len({anchor.displayed for anchor in anchors}) == 1:
        return f"One displayed value only, which a constant fits as well: {again}."
    lead = found[1].best.bits - found[0].best.bits if len(found) > 1 else CLEAR_BITS
    if lead >= CLEAR_BITS:
        return "The first one is clear."
    return f"The first one is {'likely' if lead >= LIKELY_BITS else 'not decided'}: {again}."


def _one_found(
    number: int, one: Found, anchors: Sequence[Anchor], counts_from: int | None, span: tuple[float, float] | None
) -> Iterator[str]:
    best = one.best
    yield f"{number}. {place_text(best, counts_from)}: {decode_text(best)}"
    yield f"   {'; '.join(_reasons(best, anchors))}"
    if one.equals:
        yield f"   the same so far: {', '.join(_alias(equal, best) for equal in one.equals)}"
    if one.mirrors:
        places = dict.fromkeys(place_text(mirror, counts_from) for mirror in one.mirrors)
        yield f"   the same number stands in {', '.join(places)}"
    yield from (f"       {line}" for line in yaml_lines(best, counts_from, span))


def place_text(candidate: Candidate, counts_from: int | None) -> str:
    """Table and address, with the manual's number where it is known."""
    manual = f" ({candidate.address + counts_from} in the manual)" if counts_from is not None else ""
    return f"{candidate.table.value} {candidate.address}{manual}"


def decode_text(candidate: Candidate) -> str:
    """Type, order and scale."""
    scale = f", {candidate.loop}" if candidate.loop else f" times {_scale(candidate.power)}" if candidate.power else ""
    return f"{_type_text(candidate.encoding)}{scale}"


def _type_text(encoding: Encoding) -> str:
    plain = words(encoding) == 1 and encoding.order == "ABCD"
    return encoding.kind if plain else f"{encoding.kind} {encoding.order}"


def _alias(equal: Candidate, best: Candidate) -> str:
    at = f" at {equal.address}" if equal.address != best.address else ""
    return f"{decode_text(equal)}{at}"


def _scale(power: int) -> str:
    return f"{10.0**power:g}"


def _reasons(best: Candidate, anchors: Sequence[Anchor]) -> Iterator[str]:
    values = ", ".join(f"{value:.7g}" for value in best.values)
    which = {1: "the anchor", 2: "both anchors"}.get(len(anchors), f"all {len(anchors)} anchors")
    yield f"reads {values}: fits {which}" + (
        f" to {best.off:.2g}" if best.off > 1e-9 * abs(best.values[0]) else " exactly"
    )
    if words(best.encoding) > 1:
        yield "even address" if best.address % 2 == 0 else "odd address"
    if best.strangeness <= _AT_HOME_BITS:
        yield "the words around it read well this way"
    else:
        yield f"the words around it read better otherwise ({best.strangeness:.0f} bits)"


def yaml_lines(candidate: Candidate, counts_from: int | None, span: tuple[float, float] | None) -> Iterator[str]:
    """The keys of a tag."""
    yield f"table: {candidate.table.value}"
    yield f"address: {candidate.address}"
    if counts_from is not None:
        yield f'manual: "{candidate.address + counts_from}"'
    yield f"type: {candidate.encoding.kind}"
    if candidate.encoding.order != "ABCD":
        yield f"byte_order: {candidate.encoding.order}"
    if candidate.power:
        yield f"scale: {_scale(candidate.power)}"
    if candidate.loop and span is not None:
        low, high = LOOPS[candidate.loop]
        yield f"loop: {{low_count: {low}, high_count: {high}}}"
        yield f"range: [{span[0]:g}, {span[1]:g}]"
