"""A checked site as the values the decisions read. Everything is converted once, here.

Decides nothing about the plant; it turns seconds into milliseconds, bit lists
into masks and keys into rules, puts governing tags before those they govern,
and refuses a folder with any fault.
"""

import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from gateway.configuration.cause_graph import group_rules
from gateway.configuration.commissioning import commissioning_rule
from gateway.configuration.crosscheck import crosscheck
from gateway.configuration.fault import Fault, Refused, in_order
from gateway.configuration.formulas import calculation_rule
from gateway.configuration.local_days import offsets_of
from gateway.configuration.reading import Draft, configuration_hash, read_draft
from gateway.configuration.schema import (
    Alarm,
    AlarmFigures,
    BadQualityKeys,
    CauseKeys,
    ConditionKeys,
    CountKeys,
    Device,
    Entries,
    Interlock,
    Output,
    OwnTag,
    Release,
    Secret,
    Site,
    StateLimitKeys,
    SuppressWhenKeys,
    Tag,
)
from gateway.configuration.walking import vouching
from gateway.core.alarm import AlarmRule, AlarmText, OnBad, Priority, SuppressWhen
from gateway.core.condition import (
    BadQuality,
    BitSet,
    BypassEnds,
    BypassExpired,
    Condition,
    Count,
    Deviation,
    Equals,
    HoldOverdue,
    Limit,
    Mismatch,
    NoChange,
    OtherLimit,
    Rate,
    Side,
    StateLimit,
    TimeBeyond,
    Tripped,
    Unproven,
    Unwritable,
    WrittenOver,
)
from gateway.core.doubt import Partner, Spike
from gateway.core.entering import CheckRule, EntryRules
from gateway.core.entry import band_of
from gateway.core.figures import FigureRules
from gateway.core.hold import HoldRule
from gateway.core.interlock import Effect, InterlockRule
from gateway.core.motor import MotorRule
from gateway.core.output import OutputRule
from gateway.core.permissive import Quantity, ReleaseRule, Requirement
from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.scaling import Scaling
from gateway.core.validity import BadWhen, HoldWhen, TagRule, TestConstant, ValidWhen
from gateway.core.voting import BadVote, Cause

PERMIT_BYPASS_S = 1_800.0
OTHER_BYPASS_S = 28_800.0
_LONGEST_SECRET_BYTES = 64 * 1024
_REVISION_CHARACTERS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedSite:
    """A site that can be run.

    Args:
        site: every key, as in the files.
        plant: the rules, as the decisions read them.
        scalings: tag to the way from its raw number to its engineering value.
        hash: SHA-256 of the configuration, see ``reading.configuration_hash``.
        folder: the site folder, absolute.
        warnings: what is unwise in it, and works.
    """

    site: Site
    plant: Plant
    scalings: Mapping[str, Scaling]
    hash: str
    folder: Path
    warnings: tuple[Fault, ...] = ()

    def resolve(self, path: str) -> Path:
        """A path of the site's keys, absolute: relative ones start at the site folder."""
        return self.folder / path


def load_site(folder: Path) -> LoadedSite:
    """Read, check and convert a site folder.

    Raises:
        Refused: with every fault of its files, its keys, and between them.
    """
    draft = read_draft(folder)
    faults, warnings = all_faults(draft)
    if faults or draft.site is None:
        raise Refused(faults)
    site = draft.site
    return LoadedSite(
        site=site,
        plant=plant_of(site),
        scalings={name: scaling_of(tag) for name, tag in site.tags.items()},
        hash=configuration_hash(site),
        folder=folder.resolve(),
        warnings=warnings,
    )


def all_faults(draft: Draft) -> tuple[tuple[Fault, ...], tuple[Fault, ...]]:
    """Faults and warnings of a draft, those between its keys included."""
    if draft.site is None:
        return draft.faults, draft.warnings
    findings = crosscheck(draft.site, draft.broken)
    faults = draft.locate(finding for finding in findings if not finding.warning)
    warnings = draft.locate(finding for finding in findings if finding.warning)
    return in_order([*draft.faults, *faults]), in_order([*draft.warnings, *warnings])


def resolve_secret(secret: Secret, folder: Path) -> str:
    """The secret behind a reference, without the line end of its file.

    Args:
        secret: the reference.
        folder: the site folder, where relative paths start.

    Raises:
        Refused: the file or variable is not there or empty, or the file can be read by everybody.
    """
    if secret.environment is not None:
        value = os.environ.get(secret.environment, "")
        if not value:
            raise Refused([_secret_fault(f"environment variable {secret.environment}", "nothing", "Set it.")])
        return value
    path = folder / (secret.file or "")
    try:
        with path.open("rb") as file:
            open_to_all = os.fstat(file.fileno()).st_mode & 0o007
            value = file.read(_LONGEST_SECRET_BYTES).decode("utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        found = f"no readable text ({type(error).__name__})"
        raise Refused([_secret_fault(str(path), found, "Write the secret into it.")]) from error
    if open_to_all:
        raise Refused([_secret_fault(str(path), "a file that everybody may use", f"Run: chmod o-rwx {path}")])
    if not value:
        raise Refused([_secret_fault(str(path), "an empty file", "Write the secret into it.")])
    return value


def _secret_fault(place: str, found: str, advice: str) -> Fault:
    return Fault(file=place, line=1, key="", found=found, allowed="a secret for the service alone", advice=advice)


# --- the rules -------------------------------------------------------------------------------------------------


def plant_of(site: Site) -> Plant:
    """The rules of a site that has passed every check."""
    return Plant(
        tags=(
            *(_tag_rule(name, site) for name in governors_first(site)),
            *(_own_tag_rule(name, own) for name, own in site.own_tags.items()),
        ),
        calculated=tuple(calculation_rule(name, site) for name in site.calculated),
        alarms=tuple(_alarm_rule(name, alarm) for name, alarm in site.alarms.items()),
        interlocks=tuple(_interlock_rule(name, interlock, site) for name, interlock in site.interlocks.items()),
        outputs=tuple(_output_rule(name, output) for name, output in site.outputs.items()),
        releases=tuple(_release_rule(name, release) for name, release in site.releases.items()),
        holds=_hold_rule(site),
        commissioning=commissioning_rule(site),
        first_out_groups={name: tuple(group) for name, group in site.first_out_groups.items()},
        cause_groups=group_rules(site),
        grab_quantities=dict(site.grab_quantities),
        entries=_entry_rules(site.entries),
        figures=_figure_rules(site.alarm_figures),
        clock_step_ms=_ms(site.site.clock_step_s),
        offer_ms=_ms(site.site.offer_s),
        offsets=offsets_of(site.site.time_zone),
    )


def _entry_rules(keys: Entries) -> EntryRules:
    return EntryRules(
        laboratory=dict(keys.laboratory),
        checks={
            tag: CheckRule(
                band=band_of(check.band),
                every_ms=_ms(check.every_d * 86_400),
                grab_quantity=check.grab_quantity or "",
            )
            for tag, check in keys.checks.items()
        },
        gap_codes=dict(keys.gap_codes),
        roles=frozenset(keys.roles),
    )


def _figure_rules(keys: AlarmFigures) -> FigureRules:
    return FigureRules(
        flood_window_ms=_ms(keys.flood_window_min * 60),
        flood_above=keys.flood_above,
        flood_below=keys.flood_below,
        chatter_window_ms=_ms(keys.chatter_window_s),
        chatter_count=keys.chatter_count,
        stale_after_ms=_ms(keys.stale_after_h * 3_600),
    )


def governors_first(site: Site) -> tuple[str, ...]:
    """Names of all tags; one that vouches for another comes before it, else they stay in the order of the files."""
    ordered: dict[str, None] = {}
    for name in site.tags:
        ahead = [name]
        while ahead:
            others = [governor for _, governor in vouching(site, ahead[-1]) if governor in site.tags]
            waiting = [governor for governor in others if governor not in ordered]
            if waiting:
                ahead.append(waiting[0])
            else:
                ordered[ahead.pop()] = None
    return tuple(ordered)


def scaling_of(tag: Tag) -> Scaling:
    """How the raw number of a tag is read."""
    low, high = tag.range or (None, None)
    return Scaling(
        scale=tag.scale,
        offset=tag.offset,
        range_low=low,
        range_high=high,
        clips_at_top=tag.clips_at_top,
        clips_at_bottom=tag.clips_at_bottom,
        sentinels=frozenset(tag.sentinels),
        loop_low_count=tag.loop.low_count if tag.loop else None,
        loop_high_count=tag.loop.high_count if tag.loop else None,
        states=frozenset(tag.states),
    )


def bypass_limit_s(interlock: Interlock, site: Site) -> float:
    """Seconds a bypass may last: what the site says, else half an hour for permissions and eight hours for others."""
    if interlock.bypass_max_s is not None:
        return interlock.bypass_max_s
    permit = any(site.outputs[output].permit for output in interlock.effects if output in site.outputs)
    return PERMIT_BYPASS_S if permit else OTHER_BYPASS_S


def _tag_rule(name: str, site: Site) -> TagRule:
    tag = site.tags[name]
    hold = tag.hold_when
    return TagRule(
        tag=name,
        unit=tag.unit,
        service=tag.service,
        stale_after_ms=_ms(tag.stale_limit_s),
        uncertain_counts=tag.uncertain_counts,
        valid_when=tuple(
            ValidWhen(tag=v.tag, minimum=v.minimum, invalid_after_ms=_ms(v.invalid_after_s), purge_ms=_ms(v.purge_s))
            for v in tag.valid_when
        ),
        bad_when=tuple(
            BadWhen(tag=b.tag, mask=_mask(b.bits), values=frozenset(b.values), reason=Reason(b.reason))
            for b in tag.bad_when
        ),
        hold_when=HoldWhen(tag=hold.tag, limit_ms=_ms(hold.limit_s)) if hold else None,
        frozen_after_ms=_ms(tag.frozen_after_s) if tag.frozen_after_s is not None else None,
        frozen_band=tag.frozen_band,
        constant=_constant(site.devices[tag.device]),
        spike=Spike(step=tag.spike.step, confirm_ms=_ms(tag.spike.confirm_s)) if tag.spike else None,
        partners=tuple(Partner(tag=p.tag, deviation=p.deviation, after_ms=_ms(p.after_s)) for p in tag.partners),
        rolls_over_at=tag.rolls_over_at,
        states=dict(tag.states),
        bit_names=dict(tag.bit_names),
    )


def _own_tag_rule(name: str, own: OwnTag) -> TagRule:
    return TagRule(
        tag=name,
        unit=own.unit,
        service=own.service,
        stale_after_ms=_ms(own.stale_limit_s),
        uncertain_counts=own.uncertain_counts,
        states=dict(own.states),
        bit_names=dict(own.bit_names),
    )


def _constant(device: Device) -> TestConstant | None:
    keys = device.test_constant
    return TestConstant(tag=keys.tag, value=keys.value, tolerance=keys.tolerance) if keys else None


def condition_of(keys: ConditionKeys) -> Condition:
    """A condition of the decisions from its keys."""
    plain = _comparison(keys) or _over_time(keys) or _state_of_a_tag(keys) or _state_of_a_machine(keys)
    plain = plain or _put_aside(keys)
    assert plain is not None  # noqa: S101 - the schema lets exactly one kind through, and each is in one of the five
    return plain


def _comparison(keys: ConditionKeys) -> Condition | None:
    if keys.high is not None:
        return _limit(keys.high, Side.HIGH)
    if keys.low is not None:
        return _limit(keys.low, Side.LOW)
    if keys.rate is not None:
        return Rate(tag=keys.rate.tag, limit=keys.rate.limit, deadband=keys.rate.deadband)
    if keys.deviation is None:
        return None
    pair = keys.deviation
    return Deviation(tag=pair.tag, other=pair.other, limit=pair.limit, deadband=pair.deadband)


def _limit(keys: StateLimitKeys, side: Side) -> Limit | StateLimit:
    base = Limit(tag=keys.tag, side=side, limit=keys.limit, deadband=keys.deadband)
    others = tuple(OtherLimit(tag=one.tag, equals=one.equals, limit=one.limit) for one in keys.limit_when)
    return StateLimit(base=base, others=others) if others else base


def _over_time(keys: ConditionKeys) -> Condition | None:
    if keys.time_beyond is not None:
        time = keys.time_beyond
        side = Side.HIGH if time.above is not None else Side.LOW
        level = Limit(tag=time.tag, side=side, limit=time.limit, deadband=time.deadband)
        return TimeBeyond(level=level, more_than_ms=_ms(time.most_min * 60), window_ms=_ms(time.window_min * 60))
    return _count(keys.count) if keys.count is not None else None


def _count(keys: CountKeys) -> Count:
    level = None
    if keys.limit is not None:
        side = Side.HIGH if keys.rises_above is not None else Side.LOW
        level = Limit(tag=keys.tag, side=side, limit=keys.limit, deadband=keys.deadband)
    return Count(
        tag=keys.tag,
        at_least=keys.at_least,
        window_ms=_ms(keys.window_min * 60),
        becomes=keys.becomes,
        level=level,
    )


def _state_of_a_tag(keys: ConditionKeys) -> Condition | None:
    if keys.equals is not None:
        return Equals(tag=keys.equals.tag, value=keys.equals.value)
    if keys.bits is not None:
        return BitSet(tag=keys.bits.tag, mask=_mask(keys.bits.bits))
    if keys.no_change is not None:
        still = keys.no_change
        return NoChange(tag=still.tag, band=still.band, after_ms=_ms(still.after_s))
    return _bad_quality(keys.bad_quality) if keys.bad_quality is not None else None


def _bad_quality(keys: BadQualityKeys) -> BadQuality:
    return BadQuality(
        tag=keys.tag,
        because=frozenset(Reason(word) for word in keys.because),
        except_for=frozenset(Reason(word) for word in keys.except_for),
    )


def _state_of_a_machine(keys: ConditionKeys) -> Condition | None:
    if keys.mismatch is not None:
        return Mismatch(command=keys.mismatch.command, feedback=keys.mismatch.feedback)
    if keys.unproven is not None:
        return Unproven(output=keys.unproven.output, tag=keys.unproven.tag, expected=keys.unproven.expected)
    if keys.tripped is not None:
        return Tripped(interlock=keys.tripped.interlock)
    if keys.unwritable is not None:
        return Unwritable(output=keys.unwritable.output)
    return WrittenOver(output=keys.written_over.output) if keys.written_over is not None else None


def _put_aside(keys: ConditionKeys) -> Condition | None:
    if keys.bypass_ends is not None:
        return BypassEnds(within_ms=_ms(keys.bypass_ends.within_min * 60))
    if keys.bypass_expired is not None:
        return BypassExpired(for_ms=_ms(keys.bypass_expired.for_min * 60))
    return HoldOverdue(by_ms=_ms(keys.hold_overdue.by_min * 60)) if keys.hold_overdue is not None else None


def _hold_rule(site: Site) -> HoldRule:
    """A device stands for all of its readings that may be held; a tag of the same name goes before it."""
    holds = site.holds
    if holds is None:
        return HoldRule()
    subjects: dict[str, tuple[str, ...]] = {}
    for tag in holds.tags:
        device = site.tags[tag].device
        subjects[device] = (*subjects.get(device, ()), tag)
    return HoldRule(
        subjects={**subjects, **{tag: (tag,) for tag in holds.tags}},
        roles=frozenset(holds.roles),
        remote_allowed=holds.remote_allowed,
        longest_ms=_ms(holds.max_s),
        grace_ms=_ms(holds.grace_s),
        settle_ms=_ms(holds.settle_s),
        needs_entry=holds.needs_entry,
    )


def _interlock_rule(name: str, interlock: Interlock, site: Site) -> InterlockRule:
    exposure = interlock.exposure
    return InterlockRule(
        id=name,
        service=interlock.service,
        causes=tuple(_cause(cause) for cause in interlock.causes),
        effects=tuple(Effect(output=output, level=level) for output, level in interlock.effects.items()),
        latched=interlock.latched,
        restore_delay_ms=_ms(interlock.restore_delay_s),
        reset_hold_ms=_ms(interlock.reset_hold_s),
        permissives=tuple(condition_of(keys) for keys in interlock.permissives),
        bypassable=interlock.bypassable,
        bypass_max_ms=_ms(bypass_limit_s(interlock, site)),
        bypass_roles=frozenset(interlock.bypass_roles),
        bypass_second_roles=frozenset(interlock.bypass_second_roles),
        bypass_remote_allowed=interlock.bypass_remote_allowed,
        shadow=interlock.shadow,
        hold_after_restart=interlock.hold_after_restart,
        exposure_flow=exposure.flow if exposure else "",
        exposure_volume_l=exposure.volume_l if exposure else 0.0,
        exposure_stop=(exposure.stopped_by or "") if exposure else "",
    )


def _cause(cause: CauseKeys) -> Cause:
    return Cause(
        inputs=tuple(condition_of(keys) for keys in cause.inputs),
        needed=cause.needed,
        trip_delay_ms=_ms(cause.trip_delay_s),
        bad=BadVote(cause.bad),
        bad_trip_delay_ms=_ms(cause.bad_trip_delay_s) if cause.bad_trip_delay_s is not None else None,
    )


def _output_rule(name: str, output: Output) -> OutputRule:
    return OutputRule(
        id=name,
        service=output.service,
        register_tag=output.register_tag,
        codes=dict(output.levels),
        safe_level=output.safe_level,
        normal_level=output.normal_level,
        resume_level=output.resume_level,
        resume_ms=_ms(output.resume_s),
        permit=output.permit,
        proof_tag=output.proof.tag if output.proof else "",
        proof_value=output.proof.value if output.proof else 1.0,
        motor=_motor_rule(name, output),
        return_after_ms=_ms(output.return_after_s),
        return_within_ms=_ms(output.return_within_s),
    )


def _motor_rule(name: str, output: Output) -> MotorRule | None:
    starts = output.starts
    if starts is None:
        return None
    return MotorRule(
        id=name, min_off_ms=_ms(starts.min_off_s), max_starts=starts.most, window_ms=_ms(starts.window_min * 60)
    )


def _release_rule(name: str, release: Release) -> ReleaseRule:
    return ReleaseRule(
        output=name,
        clear_ms=_ms(release.clear_s),
        exempt=frozenset(release.exempt),
        flush_tag=release.flush.tag if release.flush else "",
        flush_m3=release.flush.volume_m3 if release.flush else 0.0,
        no_sample_after=frozenset(release.flush.no_sample_after if release.flush else ()),
        grab=tuple(
            Quantity(name=g.quantity, service=g.service, at_most=g.at_most, at_least=g.at_least) for g in release.grab
        ),
        requirements=tuple(Requirement(text=r.text, condition=condition_of(r)) for r in release.requirements),
        roles=frozenset(release.roles),
        remote_allowed=release.remote_allowed,
        local_only_after=frozenset(release.local_only_after),
        after_outputs=tuple(release.after_outputs),
    )


def _alarm_rule(name: str, alarm: Alarm) -> AlarmRule:
    return AlarmRule(
        id=name,
        condition=condition_of(alarm.condition),
        on_delay_ms=_ms(alarm.on_delay_s),
        off_delay_ms=_ms(alarm.off_delay_s),
        latched=alarm.latched,
        on_bad=OnBad(alarm.on_bad),
        suppress_when=_suppress_when(alarm.suppress_when),
        release_delay_ms=_ms(alarm.release_delay_s),
        shelvable=alarm.shelvable,
        max_shelve_ms=_ms(alarm.max_shelve_s),
        realarm_ms=_ms(alarm.realarm_s) if alarm.realarm_s is not None else None,
        priority=Priority(alarm.priority),
        alarm_class=alarm.alarm_class,
        text=AlarmText(
            says=alarm.says,
            cause=alarm.cause,
            consequence=alarm.consequence,
            action=alarm.action,
            respond_within_ms=_ms(alarm.respond_within_min * 60),
        ),
        value_tag=alarm.value,
        revision=_revision(alarm),
    )


def _revision(alarm: Alarm) -> str:
    """A short hash over every key of an alarm: another one wherever a limit, a delay or a word is another."""
    text = json.dumps(alarm.model_dump(mode="json", by_alias=True), sort_keys=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()[:_REVISION_CHARACTERS]


def _suppress_when(keys: SuppressWhenKeys | None) -> SuppressWhen | None:
    if keys is None:
        return None
    return SuppressWhen(tag=keys.tag or "", equals=keys.equals, alarm=keys.alarm or "")


def _mask(bits: Iterable[int]) -> int:
    return sum(1 << bit for bit in set(bits))


def _ms(duration_s: float) -> int:
    return round(duration_s * 1_000)
