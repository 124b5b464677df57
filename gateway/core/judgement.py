"""Requests of people, judged at the scan: granted whole or refused with the reason.

Nothing is remembered of a refusal.
"""

import math
from collections.abc import Callable
from dataclasses import replace

from gateway.core import alarm, commissioning, entering, hold, interlock, output, permissive, second_person
from gateway.core.commissioning import Commissioned
from gateway.core.condition import NOTHING, ask, tags_of
from gateway.core.condition import Answer as Says
from gateway.core.entry import EntryKind
from gateway.core.interlock import InterlockRule
from gateway.core.outcome import Event, EventKind, Fact
from gateway.core.output import OWN_LATCHES
from gateway.core.permissive import Grab, ReleaseRule, tick_list
from gateway.core.request import Action, Answer, Item, Request
from gateway.core.sample import Number
from gateway.core.second_person import BypassOffer
from gateway.core.state import Offer
from gateway.core.suppression import PutAside, ShelfLimits, shelve
from gateway.core.working import Working

SENTENCES = {
    "nobody": "Only a named person may ask for this; the socket's user belongs to nobody in the people table.",
    "no_reason": "Say why, with a reason.",
    "no_measure": "Say what is done instead meanwhile: out of service needs an interim measure.",
    "nothing_said": "Say what caused it, or what was done about it, or both.",
    "no_occurrence": "This alarm has not sounded that often; see the failures for its occurrences.",
    "unknown_subject": "There is nothing of that name; see the list of alarms, interlocks and outputs.",
    "hidden": "The alarm is shelved, suppressed or out of service.",
    "old_occurrence": "That is not the newest occurrence of this alarm; look at the newest one first.",
    "nothing_to_ack": "There is nothing to acknowledge.",
    "cause_present": "The cause is still there.",
    "not_acked": "Acknowledge it first.",
    "nothing_latched": "Nothing is latched.",
    "not_allowed": "This one may not be put aside.",
    "no_duration": "Say for how long.",
    "too_long": "That is longer than this one may be put aside; ask for less.",
    "already_shelved": "It is shelved already.",
    "not_shelved": "It is not shelved.",
    "already_so": "It is so already.",
    "tripped": "It is tripped; what is tripped cannot be bypassed.",
    "already_bypassed": "It is bypassed already.",
    "not_bypassed": "It is not bypassed.",
    "shadow": "It is in shadow and acts on nothing, so there is nothing to put aside.",
    "bypass_role": "This role may not put this interlock aside.",
    "bypass_offer_gone": "The first step is too long ago, or was about something else; it is asked for anew.",
    "same_person": "A second person confirms it, not the one who has asked for it.",
    "second_role": "This role may not confirm that this interlock is put aside.",
    "bypass_on_site": "This interlock is put aside on site only.",
    "not_holdable": "That is no instrument of this site's holds; see the keys under holds for what may be held.",
    "hold_role": "This role may not hold an instrument, nor end a hold.",
    "hold_on_site": "An instrument is held on site only, and a hold is ended there.",
    "already_held": "Somebody holds it already, by another name; end that hold, or give it a new end.",
    "not_held": "Nobody holds it.",
    "no_entry": "Enter first what was done: a verification, a calibration or a note about what is held.",
    "entry_role": "This role may not enter results, checks and notes at this site.",
    "nothing_entered": "There is nothing to enter; say at least one row.",
    "not_enterable": "Nothing was entered; every row must be right, and these are not.",
    "not_tripped": "It is not tripped.",
    "no_data": "An input has not delivered since the start.",
    "hold_time": "The cause has not been gone for long enough.",
    "permissive": "A condition of the reset does not hold.",
    "with_its_output": "This interlock is let go with its output; ask for the release of the output.",
    "role": "This role may not release this output.",
    "on_site_only": "After what happened this is released on site only.",
    "nothing_to_release": "This output is not held by anything that a release lets go.",
    "not_ready": "Not every condition holds. Nothing was changed and nothing is remembered.",
    "offer_gone": "The first step is too long ago, or was somebody else's; ask again.",
    "observing": "Observe-only: nothing is written, so nothing can be given back; the outputs are commissioned first.",
    "no_outputs": "This site declares no output block, so there is nothing to commission.",
    "commissioning_role": "This role may not commission the outputs, nor stop the gateway from writing them.",
    "commission_on_site": "The outputs are commissioned on site only.",
    "unknown_quantity": "The sample says something this site does not know.",
    "no_figures": "A grab sample needs at least one figure, finite and not negative.",
}
_NEEDS_REASON = frozenset(
    {
        Action.SHELVE,
        Action.TAKE_OUT_OF_SERVICE,
        Action.BYPASS,
        Action.HOLD,
        Action.RELEASE,
        Action.COMMISSION,
        Action.DECOMMISSION,
    }
)


def judge_request(work: Working, request: Request) -> None:
    """Judge one request and answer it."""
    refusal = _formal_refusal(request)
    if refusal:
        facts = {"action": request.action.value}
        _say(work, request, Event(kind=EventKind.REQUEST_REFUSED, subject=request.subject, reason=refusal, facts=facts))
        _answer(work, request, refusal)
        return
    _ACTIONS[request.action](work, request)


def _formal_refusal(request: Request) -> str:
    if not request.person:
        return "nobody"
    return "no_reason" if request.action in _NEEDS_REASON and not request.reason.strip() else ""


def _say(work: Working, request: Request, event: Event) -> None:
    facts = {"request": request.id, "role": request.role, "origin": request.origin.value, **event.facts}
    if request.reason:
        facts["because"] = request.reason
    work.events.append(replace(event, person=request.person, facts=facts))


def _answer(
    work: Working, request: Request, refusal: str, *, text: str = "", items: tuple[Item, ...] = (), confirm: int = 0
) -> None:
    sentence = SENTENCES.get(refusal, refusal) if refusal else text or "Done."
    work.answers.append(
        Answer(request=request.id, granted=not refusal, reason=refusal, text=sentence, items=items, confirm=confirm)
    )


def _unknown(work: Working, request: Request) -> None:
    event = Event(kind=EventKind.REQUEST_REFUSED, subject=request.subject, reason="unknown_subject")
    _say(work, request, event)
    _answer(work, request, "unknown_subject")


# --- alarms ---


def _acknowledge(work: Working, request: Request) -> None:
    if request.subject not in work.alarms:
        _unknown(work, request)
        return
    rule = work.rules.alarms[request.subject]
    work.alarms[rule.id], event = alarm.acknowledge(
        rule, work.alarms[rule.id], occurrence=request.occurrence, now_ms=work.now_ms
    )
    _say(work, request, event)
    _answer(work, request, event.reason, text=f"{rule.id}, occurrence {event.occurrence}, is acknowledged.")


def _shelve(work: Working, request: Request) -> None:
    if request.subject not in work.alarms:
        _unknown(work, request)
        return
    rule, state = work.rules.alarms[request.subject], work.alarms[request.subject]
    limits = ShelfLimits(allowed=rule.shelvable, longest_ms=rule.max_shelve_ms)
    hiding, refusal = shelve(state.hiding, limits, duration_ms=request.duration_ms, now_ms=work.now_ms)
    facts: dict[str, Fact] = {"duration_s": request.duration_ms / 1000}
    if not refusal:
        hiding = replace(hiding, shelved=PutAside(person=request.person, reason=request.reason))
        work.alarms[rule.id] = replace(state, hiding=hiding)
        facts["until_utc_ms"] = work.tick.utc_ms + request.duration_ms
        facts |= alarm.states(state, work.alarms[rule.id])
    kind = EventKind.SHELVE_REFUSED if refusal else EventKind.SHELVE
    _say(work, request, Event(kind=kind, subject=rule.id, reason=refusal, facts=facts))
    _answer(work, request, refusal, text=f"{rule.id} is shelved for {request.duration_ms / 60_000:g} min.")


def _unshelve(work: Working, request: Request) -> None:
    if request.subject not in work.alarms:
        _unknown(work, request)
        return
    state = work.alarms[request.subject]
    refusal = "" if state.hiding.shelved_until_ms is not None else "not_shelved"
    kind = EventKind.SHELVE_REFUSED if refusal else EventKind.UNSHELVE
    event = Event(kind=kind, subject=request.subject, reason=refusal or "operator")
    if refusal:
        _say(work, request, event)
    else:
        hiding = replace(state.hiding, shelved_until_ms=None, shelved=None)
        _come_out(work, request, event, replace(state, hiding=hiding))
    _answer(work, request, refusal, text=f"{request.subject} is not shelved any more.")


def _service(work: Working, request: Request) -> None:
    if request.subject not in work.alarms:
        _unknown(work, request)
        return
    state, out = work.alarms[request.subject], request.action is Action.TAKE_OUT_OF_SERVICE
    refusal = "already_so" if state.hiding.out_of_service is out else ""
    if out and not refusal and not request.measure.strip():
        refusal = "no_measure"
    if refusal:
        _say(work, request, Event(kind=EventKind.SERVICE_REFUSED, subject=request.subject, reason=refusal))
    elif out:
        _take_out(work, request, state)
    else:
        hiding = replace(state.hiding, out_of_service=False, taken=None)
        event = Event(kind=EventKind.IN_SERVICE, subject=request.subject)
        _come_out(work, request, event, replace(state, hiding=hiding))
    _answer(work, request, refusal, text=f"{request.subject} is {'out of' if out else 'in'} service.")


def _take_out(work: Working, request: Request, state: alarm.AlarmState) -> None:
    taken = PutAside(person=request.person, reason=request.reason, measure=request.measure)
    after = replace(state, hiding=replace(state.hiding, out_of_service=True, taken=taken))
    work.alarms[request.subject] = after
    facts: dict[str, Fact] = {"interim_measure": request.measure, **alarm.states(state, after)}
    _say(work, request, Event(kind=EventKind.OUT_OF_SERVICE, subject=request.subject, facts=facts))


def _come_out(work: Working, request: Request, event: Event, state: alarm.AlarmState) -> None:
    """A person ended a reason to hide: tell of it, and then what comes of it."""
    said: list[Event] = []
    before = work.alarms[event.subject]
    after = alarm.came_out(work.rules.alarms[event.subject], state, work.now_ms, said)
    work.alarms[event.subject] = after
    _say(work, request, replace(event, facts=alarm.states(before, after)))
    work.events += said


def _explain(work: Working, request: Request) -> None:
    """A cause or a corrective action goes into the journal beside what stands there; it changes no decision."""
    known = work.alarms.get(request.subject)
    if known is None and not request.occurrence:  # a number makes it one of an alarm that is no longer configured
        _unknown(work, request)
        return
    newest = request.occurrence if known is None else known.occurrence
    occurrence = request.occurrence or newest
    given = {"cause": request.cause.strip(), "corrective_action": request.corrective_action.strip()}
    facts: dict[str, Fact] = {name: text for name, text in given.items() if text}
    refusal = "" if facts else "nothing_said"
    if not 0 < occurrence <= newest:
        refusal = "no_occurrence"
    kind = EventKind.REQUEST_REFUSED if refusal else EventKind.EXPLAINED
    facts = {"action": request.action.value} if refusal else facts
    event = Event(kind=kind, subject=request.subject, occurrence=occurrence, reason=refusal, facts=facts)
    _say(work, request, event)
    _answer(work, request, refusal, text=f"Entered for {request.subject}, occurrence {occurrence}.")


# --- interlocks ---


def _reset(work: Working, request: Request) -> None:
    if request.subject in work.alarms:
        rule = work.rules.alarms[request.subject]
        work.alarms[rule.id], event = alarm.reset(rule, work.alarms[rule.id], now_ms=work.now_ms)
        _say(work, request, event)
        _answer(work, request, event.reason, text=f"{rule.id} is reset.")
    elif request.subject in work.interlocks:
        _reset_interlock(work, request, work.rules.interlocks[request.subject])
    else:
        _unknown(work, request)


def _reset_interlock(work: Working, request: Request, rule: InterlockRule) -> None:
    state = work.interlocks[rule.id]
    refusal = interlock.reset_refusal(
        rule,
        state,
        has_data=all(work.tags[tag].delivered for tag in _tags(rule) if tag in work.tags),
        permitted=_permitted(work, rule),
        now_ms=work.now_ms,
    )
    if not refusal and any(effect.output in work.rules.releases for effect in rule.effects):
        refusal = "with_its_output"
    kind = EventKind.RESET_REFUSED if refusal else EventKind.RESET
    _say(work, request, Event(kind=kind, subject=rule.id, reason=refusal))
    if not refusal:
        work.interlocks[rule.id] = interlock.let_go(state)
    _answer(work, request, refusal, text=f"{rule.id} is reset.")


def _tags(rule: InterlockRule) -> list[str]:
    return [tag for cause in rule.causes for one in cause.inputs for tag in tags_of(one)]


def _permitted(work: Working, rule: InterlockRule) -> bool:
    if not rule.permissives:
        return True
    work.verdicts = {tag: work.peek(tag) for one in rule.permissives for tag in tags_of(one)}
    view = work.view()
    return all(ask(one, NOTHING, view).answer is Says.IN for one in rule.permissives)


def _bypass(work: Working, request: Request) -> None:
    if request.subject not in work.interlocks:
        _unknown(work, request)
        return
    rule = work.rules.interlocks[request.subject]
    if second_person.wanted(rule, request):
        _offer_bypass(work, request, rule)
    elif request.confirm:
        _confirm_bypass(work, request, rule)
    else:
        _carry_out_bypass(work, request, rule, request)


def _offer_bypass(work: Working, request: Request, rule: InterlockRule) -> None:
    refusal = interlock.bypass_refusal(rule, work.interlocks[rule.id], request)
    if refusal:
        _say(work, request, Event(kind=EventKind.BYPASS_REFUSED, subject=rule.id, reason=refusal))
        _answer(work, request, refusal)
        return
    work.offers_made += 1
    until_ms = work.now_ms + work.rules.plant.offer_ms
    work.bypass_offer = BypassOffer(number=work.offers_made, request=request, until_ms=until_ms)
    facts: dict[str, Fact] = {"duration_s": request.duration_ms / 1000}
    _say(work, request, Event(kind=EventKind.BYPASS_OFFERED, subject=rule.id, facts=facts))
    roles, minutes = " or ".join(sorted(rule.bypass_second_roles)), work.rules.plant.offer_ms / 60_000
    text = (
        f"Nothing is bypassed yet: a second person ({roles}) confirms with {work.offers_made} within {minutes:g} min."
    )
    _answer(work, request, "", text=text, confirm=work.offers_made)


def _confirm_bypass(work: Working, request: Request, rule: InterlockRule) -> None:
    offer = work.bypass_offer
    refusal = second_person.refusal(rule, offer, request, work.now_ms)
    if refusal or offer is None:
        _say(work, request, Event(kind=EventKind.BYPASS_REFUSED, subject=rule.id, reason=refusal))
        _answer(work, request, refusal)
        return
    work.bypass_offer = None
    _carry_out_bypass(work, request, rule, second_person.confirmed(offer, request))


def _carry_out_bypass(work: Working, request: Request, rule: InterlockRule, asked: Request) -> None:
    """What was asked, answered to whoever asks now: the same person, or the second one."""
    work.interlocks[rule.id], refusal = interlock.bypass(rule, work.interlocks[rule.id], asked, now_ms=work.now_ms)
    kind = EventKind.BYPASS_REFUSED if refusal else EventKind.BYPASS_ON
    facts: dict[str, Fact] = {"duration_s": asked.duration_ms / 1000}
    if not refusal:
        facts["until_utc_ms"] = work.tick.utc_ms + asked.duration_ms
    if asked is not request:
        facts["persons"] = asked.person
    _say(work, request, Event(kind=kind, subject=rule.id, reason=refusal, facts=facts))
    _answer(work, request, refusal, text=f"{rule.id} is bypassed for {asked.duration_ms / 60_000:g} min.")


def _end_bypass(work: Working, request: Request) -> None:
    if request.subject not in work.interlocks:
        _unknown(work, request)
        return
    rule, state = work.rules.interlocks[request.subject], work.interlocks[request.subject]
    refusal = interlock.MOVES[interlock.display(state), interlock.Trigger.END].refused
    work.interlocks[rule.id], event = interlock.end_bypass(rule, state, "operator")
    if refusal:
        event = Event(kind=EventKind.BYPASS_REFUSED, subject=rule.id, reason=refusal)
    _say(work, request, event)
    _answer(work, request, refusal, text=f"{rule.id} is not bypassed any more.")


# --- instruments ---


def _hold(work: Working, request: Request) -> None:
    rule = work.rules.plant.holds
    if request.subject not in rule.subjects and request.subject not in work.rules.tags:
        _unknown(work, request)
        return
    refusal = hold.refusal_to_hold(rule, work.holds, request)
    facts: dict[str, Fact] = {"duration_s": request.duration_ms / 1000}
    if not refusal:
        held = hold.announced(rule, work.holds.get(request.subject), request, work.now_ms)
        work.holds = {**work.holds, request.subject: held}
        facts |= {"until_utc_ms": work.tick.utc_ms + request.duration_ms, "tags": ", ".join(held.tags)}
    kind = EventKind.HOLD_REFUSED if refusal else EventKind.HOLD_ON
    _say(work, request, Event(kind=kind, subject=request.subject, reason=refusal, facts=facts))
    minutes = request.duration_ms / 60_000
    text = f"{request.subject} is held and not trusted; planned for {minutes:g} min, and it does not end by itself."
    _answer(work, request, refusal, text=text)


def _end_hold(work: Working, request: Request) -> None:
    rule, subject = work.rules.plant.holds, request.subject
    if subject not in work.holds and subject not in rule.subjects and subject not in work.rules.tags:
        _unknown(work, request)
        return
    refusal = hold.refusal_to_end(rule, work.holds, request)
    event = Event(kind=EventKind.HOLD_REFUSED, subject=subject, reason=refusal)
    if not refusal:
        before = work.holds[subject]
        work.holds = {**work.holds, subject: replace(before, ended_ms=work.now_ms)}
        facts: dict[str, Fact] = {
            "held_by": before.person,
            "lasted_s": (work.now_ms - before.since_ms) / 1000,
            "past_its_end_s": max(0, work.now_ms - before.until_ms) / 1000,
        }
        event = Event(kind=EventKind.HOLD_OFF, subject=subject, facts=facts)
    _say(work, request, event)
    settles_s = rule.settle_ms / 1000
    _answer(work, request, refusal, text=f"The hold of {subject} is over; its reading counts in {settles_s:g} s.")


# --- grab samples and releases ---


def _grab(work: Working, request: Request) -> None:
    quantities = work.rules.plant.grab_quantities
    usable = {name: one for name, one in request.measured.items() if math.isfinite(one) and one >= 0}
    unknown = [name for name in request.measured if name not in quantities]
    whole = bool(usable) and usable == request.measured
    refusal = "unknown_quantity" if unknown else "" if whole else "no_figures"
    kind = EventKind.GRAB_REFUSED if refusal else EventKind.GRAB_SAMPLE
    known: dict[str, Fact] = {name: one for name, one in usable.items() if name in quantities}
    known |= {} if refusal else _shown(work, request)
    _say(work, request, Event(kind=kind, reason=refusal, facts=known))
    if not refusal:
        work.grab = Grab(taken_ms=work.now_ms, measured=dict(request.measured), person=request.person)
        _compare(work, request)
    text = f"{SENTENCES[refusal]} Known: {', '.join(quantities)}." if refusal else "The grab sample is entered."
    work.answers.append(Answer(request=request.id, granted=not refusal, reason=refusal, text=text))


def _release(work: Working, request: Request) -> None:
    rule = work.rules.releases.get(request.subject)
    if rule is None:
        _unknown(work, request)
        return
    situation = work.situation()
    items = tick_list(rule, situation)
    refusal = permissive.not_allowed(rule, request, situation)
    if not refusal and work.observing:
        refusal = "observing"
    if not refusal and not work.outputs[rule.output].latches:
        refusal = "nothing_to_release"
    if not refusal and not all(item.satisfied for item in items):
        refusal = "not_ready"
    if not refusal and request.confirm and not _offered(work, request):
        refusal = "offer_gone"
    if refusal:
        missing = "; ".join(item.text for item in items if not item.satisfied)
        event = Event(kind=EventKind.RELEASE_REFUSED, subject=rule.output, reason=refusal, facts={"missing": missing})
        _say(work, request, event)
        _answer(work, request, refusal, items=items)
    elif request.confirm:
        _carry_out(work, request, rule, items)
    else:
        _offer(work, request, rule, items)


def _offered(work: Working, request: Request) -> bool:
    offer = work.offer
    return (
        offer is not None
        and offer.number == request.confirm
        and offer.output == request.subject
        and offer.person == request.person
        and work.now_ms <= offer.until_ms
    )


def _offer(work: Working, request: Request, rule: ReleaseRule, items: tuple[Item, ...]) -> None:
    work.offers_made += 1
    work.offer = Offer(
        number=work.offers_made,
        output=rule.output,
        person=request.person,
        until_ms=work.now_ms + work.rules.plant.offer_ms,
    )
    _say(work, request, Event(kind=EventKind.RELEASE_OFFERED, subject=rule.output))
    minutes = work.rules.plant.offer_ms / 60_000
    text = f"Every condition holds. Nothing is released yet: confirm with {work.offer.number} within {minutes:g} min."
    _answer(work, request, "", text=text, items=items, confirm=work.offer.number)


def _carry_out(work: Working, request: Request, rule: ReleaseRule, items: tuple[Item, ...]) -> None:
    """Let the output's latches go, and every interlock that latches no other output."""
    let_go = work.outputs[rule.output].latches
    work.offer = None
    work.outputs[rule.output] = output.release(work.rules.outputs[rule.output], work.outputs[rule.output], work.now_ms)
    _say(work, request, Event(kind=EventKind.RELEASED, subject=rule.output, facts={"released": ", ".join(let_go)}))
    still = {name for one in work.outputs.values() for name in one.latches}
    for name in let_go:
        if name not in OWN_LATCHES and name not in still and name in work.interlocks:
            work.interlocks[name] = interlock.let_go(work.interlocks[name])
            _say(work, request, Event(kind=EventKind.RESET, subject=name))
    _answer(work, request, "", text=f"{rule.output} is released.", items=items)


# --- entries ---


def _shown(work: Working, request: Request) -> dict[str, Fact]:
    """What the analyzers say at the second of a grab sample, where one is declared for a quantity."""
    facts: dict[str, Fact] = {}
    for tag, rule in work.rules.plant.entries.checks.items():
        if rule.grab_quantity in request.measured:
            shown = work.peek(tag)
            facts[f"{rule.grab_quantity}_at_{tag}"] = shown.value if isinstance(shown, Number) else "no good value"
    return facts


def _compare(work: Working, request: Request) -> None:
    """A grab sample is a check of every analyzer of the same quantity that has a value now."""
    for tag, rule in work.rules.plant.entries.checks.items():
        shown = work.peek(tag)
        if rule.grab_quantity in request.measured and isinstance(shown, Number):
            standard = request.measured[rule.grab_quantity]
            facts = entering.check_facts(rule, tag=tag, utc_ms=work.tick.utc_ms, standard=standard, shown=shown.value)
            _entered(work, request, facts)


def _enter(work: Working, request: Request) -> None:
    known = entering.Known(
        rules=work.rules.plant.entries,
        units={tag: rule.unit for tag, rule in work.rules.tags.items()},
        utc_ms=work.tick.utc_ms,
        entered=request.corrected,
    )
    faults = list(entering.faults_told(request.entries, known))
    refusal = "not_enterable" if faults else "" if request.entries else "nothing_entered"
    roles = work.rules.plant.entries.roles
    refusal = "entry_role" if roles and request.role not in roles else refusal
    if refusal:
        facts: dict[str, Fact] = {"rows": len(request.entries), "faults": len(faults)}
        _say(work, request, Event(kind=EventKind.ENTRY_REFUSED, reason=refusal, facts=facts))
        items = tuple(Item(text=f"row {place + 1}, {one.field}: {one.text}", satisfied=False) for place, one in faults)
        _answer(work, request, refusal, items=items)
        return
    for row in request.entries:
        _entered(work, request, entering.judged(row, known)[0])
    _answer(work, request, "", text=f"{len(request.entries)} entered.")


def _entered(work: Working, request: Request, facts: dict[str, Fact]) -> None:
    """Into the journal; a check is remembered, so that the next one can become due."""
    tag, kind = str(facts.get("tag", "")), facts["entry"]
    if kind in {EntryKind.VERIFICATION.value, EntryKind.CALIBRATION.value}:
        work.checked = entering.after_check(work.checked, facts)
    if kind != EntryKind.GAP_REASON.value and work.holds:
        work.holds = hold.with_entry(work.holds, tag)
    failed = "" if facts.get("passed", True) else "failed"
    _say(work, request, Event(kind=EventKind.ENTERED, subject=entering.subject_of(facts), reason=failed, facts=facts))


# --- commissioning ---


def _commission(work: Working, request: Request) -> None:
    rule = work.rules.plant.commissioning
    refusal = commissioning.refusal_to_commission(rule, work.commissioned, request)
    if refusal or rule is None:
        _refuse_commissioning(work, request, refusal)
        return
    work.commissioned = Commissioned(
        person=request.person,
        role=request.role,
        utc_ms=work.tick.utc_ms,
        reason=request.reason,
        fingerprint=rule.fingerprint,
    )
    work.outputs = {id_: output.commanded(one, work.now_ms) for id_, one in work.outputs.items()}
    registers = ", ".join(rule.registers)
    _say(work, request, Event(kind=EventKind.COMMISSIONED, facts={"registers": registers}))
    _answer(work, request, "", text=f"The outputs are commissioned; from now on these are written: {registers}.")


def _decommission(work: Working, request: Request) -> None:
    refusal = commissioning.refusal_to_observe(work.rules.plant.commissioning, work.commissioned, request)
    if refusal:
        _refuse_commissioning(work, request, refusal)
        return
    work.commissioned, work.offer = None, None
    work.outputs = {
        id_: output.observed(work.rules.outputs[id_], one, work.now_ms) for id_, one in work.outputs.items()
    }
    _say(work, request, Event(kind=EventKind.DECOMMISSIONED))
    _answer(work, request, "", text="The permissions are withdrawn; after that nothing is written any more.")


def _refuse_commissioning(work: Working, request: Request, refusal: str) -> None:
    facts = {"action": request.action.value}
    _say(work, request, Event(kind=EventKind.REQUEST_REFUSED, reason=refusal, facts=facts))
    _answer(work, request, refusal)


_ACTIONS: dict[Action, Callable[[Working, Request], None]] = {
    Action.ACKNOWLEDGE: _acknowledge,
    Action.RESET: _reset,
    Action.SHELVE: _shelve,
    Action.UNSHELVE: _unshelve,
    Action.TAKE_OUT_OF_SERVICE: _service,
    Action.RETURN_TO_SERVICE: _service,
    Action.EXPLAIN: _explain,
    Action.BYPASS: _bypass,
    Action.END_BYPASS: _end_bypass,
    Action.HOLD: _hold,
    Action.END_HOLD: _end_hold,
    Action.RELEASE: _release,
    Action.GRAB_SAMPLE: _grab,
    Action.ENTER: _enter,
    Action.COMMISSION: _commission,
    Action.DECOMMISSION: _decommission,
}
