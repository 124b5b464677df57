"""The machine, its people and connections: what must fit together. Never asks the network."""

import ipaddress
import zoneinfo
from collections.abc import Iterator
from difflib import get_close_matches
from urllib.parse import urlsplit

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.schema import NetworkConnection, SerialConnection, Site

Findings = Iterator[Finding]

_RTU_HIGHEST_UNIT = 247
_ROOT = 0


def time_zone(site: Site) -> Findings:
    """The time zone must be known to this machine."""
    try:
        zoneinfo.ZoneInfo(site.site.time_zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        zones = zoneinfo.available_timezones()
        nearest = get_close_matches(site.site.time_zone, zones, n=1)
        advice = f"Did you mean {nearest[0]}?" if nearest else "Look it up in the IANA database."
        found = f'"{site.site.time_zone}", which is no known time zone'
        yield Finding(
            path=("site", "time_zone"), found=found, allowed="a zone such as CET or Europe/Paris", advice=advice
        )


def simulated_place(site: Site) -> Findings:
    """A simulated clock next to a real device would decide about real water in invented time."""
    if site.place.simulated_clock is None:
        return
    for name, connection in site.connections.items():
        if isinstance(connection, SerialConnection) or not is_loopback(connection.host):
            key = "device" if isinstance(connection, SerialConnection) else "host"
            where = connection.device if isinstance(connection, SerialConnection) else connection.host
            yield Finding(
                path=("connections", name, key),
                found=f'"{where}" together with a simulated clock',
                allowed="the loopback, as long as place.simulated_clock is set",
                advice="Set place.simulated_clock to null at a real plant.",
            )


def root_is_nobody(site: Site) -> Findings:
    """Who is root can be anybody; requests need a person."""
    if site.place.simulated_clock is not None:
        return
    for name, person in site.people.items():
        for number, user in enumerate(person.local_users):
            if user == _ROOT:
                yield Finding(
                    path=("people", name, "local_users", number),
                    found="0, which is root",
                    allowed="the accounts of persons (root only with a simulated clock)",
                    advice="Give the person an account of their own.",
                )


def key_of_several(site: Site) -> Findings:
    """A signature says who asks only while a key is one person's."""
    owners: dict[str, str] = {}
    for name, person in site.people.items():
        if person.afar_key is None:
            continue
        if person.afar_key in owners:
            yield Finding(
                path=("people", name, "afar_key"),
                found=f"the key of {owners[person.afar_key]}",
                allowed="a key of this person's own",
                advice=f"Make one: purplegate key new {name}",
            )
        owners.setdefault(person.afar_key, name)


def roles_without_people(site: Site) -> Findings:
    """A release that nobody may carry out."""
    held = {person.role for person in site.people.values()}
    for name, release in site.releases.items():
        if site.people and not held & set(release.roles):
            yield Finding(
                path=("releases", name, "roles"),
                found=f"{', '.join(release.roles)}, and no person has such a role",
                allowed="at least one role that a person has",
                advice="Add the person under people, or another role here.",
                warning=True,
                missing_from=frozenset({"people"}),
            )


def commissioning_without_people(site: Site) -> Findings:
    """Outputs that nobody may let go; a role that is not declared is told elsewhere."""
    block = site.output_block
    roles = set(block.commissioning_roles) if block is not None else set()
    if site.people and roles & site.roles.keys() and not roles & {person.role for person in site.people.values()}:
        yield Finding(
            path=("output_block", "commissioning_roles"),
            found=f"{', '.join(sorted(roles))}, and no person has such a role",
            allowed="at least one role that a person has",
            advice="Add the person under people, or another role here; until then the gateway only observes.",
            warning=True,
            missing_from=frozenset({"people"}),
        )


def line_protocol_server(site: Site) -> Findings:
    """What leaves the machine is encrypted and says who sends it."""
    influx = site.uplink.influx
    if influx is None:
        return
    path: KeyPath = ("uplink", "influx")
    yield from _address((*path, "url"), influx.url)
    if influx.read_back is not None and influx.read_back.url is not None:
        yield from _address((*path, "read_back", "url"), influx.read_back.url)
    if influx.token is None and not is_loopback(_host(influx.url)):
        found = f"no token for {influx.url}"
        yield Finding(path=(*path, "token"), found=found, allowed="a token away from the loopback", advice="Add token.")


def _address(path: KeyPath, url: str) -> Findings:
    scheme = url.partition("://")[0]
    host = _host(url)
    if scheme not in {"http", "https"} or not host:
        found = f'"{url}"'
        yield Finding(path=path, found=found, allowed="an address such as https://history.example:8086")
    elif scheme == "http" and not is_loopback(host):
        yield Finding(path=path, found=f'"{url}" in clear', allowed="https away from the loopback")


def _host(url: str) -> str:
    try:
        return urlsplit(url).hostname or ""
    except ValueError:  # a bracket of an address that does not close
        return ""


def clear_text_uplink(site: Site) -> Findings:
    """What leaves the machine is encrypted."""
    mqtt = site.uplink.mqtt
    if mqtt is not None and mqtt.tls is None and not is_loopback(mqtt.host):
        yield Finding(
            path=("uplink", "mqtt", "host"),
            found=f'"{mqtt.host}" without tls',
            allowed="the loopback, or a broker with tls",
            advice="Add tls with the ca_file of the broker.",
        )


def one_unit_one_device(site: Site) -> Findings:
    """Two devices with one unit id on one connection answer over each other."""
    seen: dict[tuple[str, int], str] = {}
    for name, device in site.devices.items():
        first = seen.setdefault((device.connection, device.unit_id), name)
        if first != name:
            yield Finding(
                path=("devices", name, "unit_id"),
                found=f"{device.unit_id}, which {first} has on {device.connection} already",
                allowed="one unit id for each device of a connection",
                advice="Look at the device's own setting.",
            )


def rtu_units(site: Site) -> Findings:
    """On a serial line 0 is everybody and 248 to 255 are reserved."""
    for name, device in site.devices.items():
        connection = site.connections.get(device.connection)
        if connection is None or connection.transport == "tcp":
            continue
        if not 1 <= device.unit_id <= _RTU_HIGHEST_UNIT:
            yield Finding(
                path=("devices", name, "unit_id"),
                found=f"{device.unit_id} on {device.connection} ({connection.transport})",
                allowed="1 to 247 with RTU framing",
                advice="Look at the device's own setting.",
            )


def shared_endpoints(site: Site) -> Findings:
    """Two connections to one place disturb each other."""
    seen: dict[str, str] = {}
    for name, connection in site.connections.items():
        if isinstance(connection, NetworkConnection):
            key, place = "port", f"{connection.host}:{connection.port}"
        else:
            key, place = "device", connection.device
        first = seen.setdefault(place, name)
        if first != name:
            yield Finding(
                path=("connections", name, key),
                found=f"{place}, which is {first} already",
                allowed="one connection to one place",
                advice=f"Put the devices on {first}.",
            )


def idle_entries(site: Site) -> Findings:
    """A connection or device that nothing uses is a slip."""
    used = {tag.device for tag in site.tags.values()}
    for name in site.devices:
        if name not in used:
            yield _idle(("devices", name), "no tag is read from it", "tags")
    reached = {device.connection for device in site.devices.values()}
    for name in site.connections:
        if name not in reached:
            yield _idle(("connections", name), "no device is reached by it", "devices")


def _idle(path: KeyPath, why: str, section: str) -> Finding:
    return Finding(
        path=path,
        found=f"an entry that is not used: {why}",
        allowed="entries in use",
        advice=f"Add {section}, or remove it.",
        warning=True,
        missing_from=frozenset({section}),
    )


def is_loopback(host: str) -> bool:
    """Whether a host is this machine itself, told from its name or address alone."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
