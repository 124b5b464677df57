"""How long it takes from the water to the written level, for each way in which an interlock can trip.

Pure: one computation from keys alone. ``purplegate check`` prints it, and warns
where the water is faster. That a device gives no value is only said once it has
not answered twice in a row, so a cause that trips for want of a value takes one
more attempt than one that trips on a value.
"""

from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from gateway.configuration.schema import CauseKeys, ConditionKeys, Interlock, Site
from gateway.configuration.walking import devices_of, sources, tags_of

ASKED_AGAIN_S = 1.2  # longest pause after a lost reply before the block is asked once more


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """Worst case of one cause of one interlock, in seconds.

    Args:
        interlock: its name.
        service: what it protects against.
        watches: the inputs, in words.
        poll_s: longest poll interval of the inputs.
        reply_s: reply time-out of their connections.
        retry_s: until it is sure that there is no value, where the cause trips for want of one; else 0.
        delay_s: trip delay of the cause.
        scan_s: scan period.
        wait_s: time until the line to the controller is free: one reply time-out and the pause after it.
        write_s: reply time-out of the write.
        water_s: time the water takes from the tap to the output at the highest flow; None where not declared.
    """

    interlock: str
    service: str
    watches: str
    poll_s: float
    reply_s: float
    retry_s: float
    delay_s: float
    scan_s: float
    wait_s: float
    write_s: float
    water_s: float | None

    @property
    def total_s(self) -> float:
        """The sum."""
        return self.poll_s + self.reply_s + self.retry_s + self.delay_s + self.scan_s + self.wait_s + self.write_s


def responses(site: Site) -> tuple[Response, ...]:
    """Worst case of every cause of every interlock, in file order; bad inputs have their own where timed.

    A name that is not declared is passed over: another rule tells it.
    """
    return tuple(
        _response(name, interlock, cause, delay, site)
        for name, interlock in site.interlocks.items()
        for cause in interlock.causes
        for delay in _delays(cause)
    )


@dataclass(frozen=True, slots=True)
class _Delay:
    """One delay of a cause: how long, what it is for in words, and whether it counts for want of a value."""

    seconds: float
    words: str
    unknown: bool


def _delays(cause: CauseKeys) -> tuple[_Delay, ...]:
    """The delays of a cause; one that stands for a value and for want of one is as long as the longer way."""
    if cause.bad_trip_delay_s is not None:
        return _Delay(cause.trip_delay_s, "", False), _Delay(cause.bad_trip_delay_s, " (no usable value)", True)
    asks_for_it = any(condition.bad_quality is not None for condition in cause.inputs)
    return (_Delay(cause.trip_delay_s, "", asks_for_it or cause.bad == "vote_trip"),)


def _response(name: str, interlock: Interlock, cause: CauseKeys, delay: _Delay, site: Site) -> Response:
    tags = [tag for condition in cause.inputs for tag in tags_of(condition)]
    waited_for = {condition.unproven.tag for condition in cause.inputs if condition.unproven is not None}
    devices = [site.devices.get(device) for tag in tags for device in devices_of(site, tag)]
    lines = [
        site.connections[device.connection] for device in devices if device and device.connection in site.connections
    ]
    block = site.output_block
    line = site.connections.get(block.connection) if block is not None else None
    reply_s = max((each.reply_timeout_s for each in lines), default=0.0)
    return Response(
        interlock=name,
        service=interlock.service,
        watches=", ".join(_words(condition) for condition in cause.inputs) + delay.words,
        poll_s=max((_poll_s(condition, site, waited_for) for condition in cause.inputs), default=0.0),
        reply_s=reply_s,
        retry_s=ASKED_AGAIN_S + reply_s if delay.unknown and lines else 0.0,
        delay_s=delay.seconds + max((_stillness_s(condition) for condition in cause.inputs), default=0.0),
        scan_s=site.site.scan_period_s,
        wait_s=line.reply_timeout_s + line.pause_s if line is not None else 0.0,
        write_s=line.reply_timeout_s if line is not None else 0.0,
        water_s=_water_s(interlock, site),
    )


def _poll_s(condition: ConditionKeys, site: Site, waited_for: AbstractSet[str]) -> float:
    """Seconds until a change is read; a position is polled fast while it is waited for."""
    names = [source for tag in tags_of(condition) for source in sources(site, tag)]
    return max((_interval_s(site, name, hurried=name in waited_for) for name in names), default=0.0)


def _interval_s(site: Site, name: str, *, hurried: bool) -> float:
    hurried_s = site.tags[name].hurried_interval_s if hurried and name in site.tags else None
    return hurried_s or site.points[name].interval_s


def _stillness_s(condition: ConditionKeys) -> float:
    """Seconds a condition takes by itself before it holds."""
    return condition.no_change.after_s if condition.no_change is not None else 0.0


def _water_s(interlock: Interlock, site: Site) -> float | None:
    exposure = interlock.exposure
    flow = site.points.get(exposure.flow) if exposure is not None else None
    limits = flow.range if flow is not None else None
    if exposure is None or limits is None or limits[1] <= 0:
        return None
    litres_a_second = limits[1] * 1_000 / 3_600
    return exposure.volume_l / litres_a_second


def _words(condition: ConditionKeys) -> str:
    """A condition in a few words, such as ``AIT-510 above 10``."""
    tags = " and ".join(tags_of(condition))
    if condition.high is not None:
        return f"{tags} above {condition.high.limit:g}"
    if condition.low is not None:
        return f"{tags} below {condition.low.limit:g}"
    if condition.equals is not None:
        return f"{tags} at {condition.equals.value:g}"
    return f"{tags} {condition.kind.replace('_', ' ')}".strip()
