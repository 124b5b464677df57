"""Interlocks: that each does something, and that a bad input of one is watched by another."""

from collections.abc import Iterable, Iterator, Mapping

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.rules.graphs import circles
from gateway.configuration.rules.outputs import unknown_level
from gateway.configuration.schema import BadQualityKeys, Interlock, Site
from gateway.configuration.walking import causes, sources, tags_of
from gateway.core.quality import Reason

Findings = Iterator[Finding]

_SHORTEST_REASON = 10  # letters


def interlock_effects(site: Site) -> Findings:
    """An interlock must do something, and to a level that exists and is not the normal one."""
    for name, interlock in site.interlocks.items():
        path: KeyPath = ("interlocks", name)
        if not interlock.effects:
            found = "an interlock without effects"
            yield Finding(
                path=path,
                found=found,
                allowed="at least one output and level",
                advice="Add effects, or make it an alarm.",
            )
        for output_name, level in interlock.effects.items():
            output = site.outputs.get(output_name)
            if output is not None and level not in output.levels:
                yield unknown_level((*path, "effects", output_name), level, output)
            elif output is not None and level == output.normal_level != output.safe_level:
                found = f'"{level}", the normal level of {output_name}'
                yield Finding(
                    path=(*path, "effects", output_name),
                    found=found,
                    allowed=f"another level, such as {output.safe_level}",
                )


def automatic_returns(site: Site) -> Findings:
    """What gives back by itself says why it may; a person's release is the rule."""
    for name, interlock in site.interlocks.items():
        path: KeyPath = ("interlocks", name, "returns_because")
        if interlock.latched and interlock.returns_because:
            found = "returns_because at a latched interlock"
            yield Finding(path=path, found=found, allowed="returns_because with latched: false")
        elif not interlock.latched and sum(one.isalpha() for one in interlock.returns_because) < _SHORTEST_REASON:
            yield Finding(
                path=("interlocks", name, "latched"),
                found="latched: false, and no reason why it may return without a person",
                allowed="latched: false together with returns_because",
                advice="Say why, or let a person release it.",
            )


def in_shadow(site: Site) -> Findings:
    """What only watches protects nobody."""
    for name, interlock in site.interlocks.items():
        if interlock.shadow:
            yield Finding(
                path=("interlocks", name, "shadow"),
                found="an interlock in shadow, which acts on nothing",
                allowed="shadow: false once it has been watched for long enough",
                advice="Until then something else has to protect.",
                warning=True,
            )


def interlock_votes(site: Site) -> Findings:
    """More votes than inputs never come together."""
    for path, _, cause in causes(site):
        if cause.needed > len(cause.inputs):
            found = f"{cause.needed} of {len(cause.inputs)} inputs"
            yield Finding(path=(*path, "needed"), found=found, allowed=f"at most {len(cause.inputs)}")
        if cause.bad != "vote_trip" and cause.bad_trip_delay_s is not None:
            found = f"bad_trip_delay_s with bad: {cause.bad}"
            yield Finding(path=(*path, "bad_trip_delay_s"), found=found, allowed="bad_trip_delay_s with bad: vote_trip")


def watched_elsewhere(site: Site) -> Findings:
    """What is bad here must trip there, with the same effects at least."""
    for path, name, cause in causes(site):
        if cause.bad != "elsewhere":
            continue
        interlock = site.interlocks[name]
        if not interlock.effects.keys() <= site.outputs.keys():
            continue  # an unknown output is the fault to mend first
        others = [other for key, other in site.interlocks.items() if key != name]
        tags = dict.fromkeys(tag for condition in cause.inputs for tag in tags_of(condition) if tag in site.points)
        for tag in tags:
            watched = _watched_points(others, interlock)
            for unseen in [one for one in _to_be_watched(site, tag, watched) if one not in watched]:
                yield _unwatched((*path, "bad"), unseen, interlock)


def _to_be_watched(site: Site, tag: str, watched: Mapping[str, bool]) -> tuple[str, ...]:
    """A calculated tag has faults of its own; when those of its inputs are left out, the inputs are to be watched."""
    if tag in site.calculated and not watched.get(tag, True):
        return (tag, *sources(site, tag))
    return (tag,)


def _watched_points(others: Iterable[Interlock], interlock: Interlock) -> dict[str, bool]:
    """Points whose quality trips with the same effects at least, and whether faults of their inputs do as well."""
    found: dict[str, bool] = {}
    for other in others:
        for keys in _watchers(other, interlock):
            found[keys.tag] = found.get(keys.tag, False) or _counts(keys, Reason.INPUT_BAD)
    return found


def _counts(keys: BadQualityKeys, reason: Reason) -> bool:
    return reason.value in keys.because if keys.because else reason.value not in keys.except_for


def _unwatched(path: KeyPath, tag: str, interlock: Interlock) -> Finding:
    effects = ", ".join(f"{output}: {level}" for output, level in interlock.effects.items())
    return Finding(
        path=path,
        found=f"elsewhere, and no other interlock watches the quality of {tag} with these effects",
        allowed=f"an interlock with bad_quality of {tag} and at least {effects or 'the same effects'}",
        advice="Add it, or choose vote_trip with a bad_trip_delay_s.",
        missing_from=frozenset({"interlocks"}),
    )


def _watchers(watcher: Interlock, watched: Interlock) -> Iterator[BadQualityKeys]:
    if watcher.shadow and not watched.shadow:
        return
    lets_go_sooner = watched.latched and not watcher.latched
    if lets_go_sooner or not watched.effects.items() <= watcher.effects.items():
        return
    for cause in watcher.causes:
        if cause.needed == 1:
            yield from (one.bad_quality for one in cause.inputs if one.bad_quality is not None)


def tripped_circles(site: Site) -> Findings:
    """An interlock must not trip on itself, not even through others."""
    graph = {name: _trips_on(interlock) for name, interlock in site.interlocks.items()}
    for circle in circles(graph):
        found = f"a circle: {' trips on '.join(circle)}"
        yield Finding(path=("interlocks", circle[0]), found=found, allowed="interlocks that trip in one direction")


def _trips_on(interlock: Interlock) -> list[str]:
    conditions = [condition for cause in interlock.causes for condition in cause.inputs]
    return [condition.tripped.interlock for condition in conditions if condition.tripped is not None]
