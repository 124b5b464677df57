"""Points of every kind: one name each, like beside like, and what the gateway tells about itself."""

from collections.abc import Iterator

from gateway.configuration.fault import Finding, KeyPath, undeclared
from gateway.configuration.schema import OwnTag, Site
from gateway.configuration.walking import POINT_SECTIONS, questions

Findings = Iterator[Finding]


def one_name_one_point(site: Site) -> Findings:
    """Tags, calculated and own tags share their names, since conditions name any of them."""
    seen: dict[str, str] = {}
    for section in POINT_SECTIONS:
        for name in getattr(site, section):
            first = seen.setdefault(name, section)
            if first != section:
                found = f"{name}, which is declared under {first} already"
                yield Finding(path=(section, name), found=found, allowed="one point of a name", advice="Rename it.")


def ranges(site: Site) -> Findings:
    """The range of a point that is not read from a device runs upwards as well."""
    for section in ("calculated", "own_tags"):
        for name, point in getattr(site, section).items():
            if point.range is not None and not point.range[0] < point.range[1]:
                found = f"{point.range[0]:g} to {point.range[1]:g}"
                path = (section, name, "range")
                yield Finding(path=path, found=found, allowed="bottom first, then the higher top")


def partners(site: Site) -> Findings:
    """A partner is another tag of the same unit."""
    for name, tag in site.tags.items():
        for number, partner in enumerate(tag.partners):
            path: KeyPath = ("tags", name, "partners", number, "tag")
            other = site.tags.get(partner.tag)
            if partner.tag == name:
                yield Finding(path=path, found=f"{name} itself", allowed="another tag")
            elif other is not None and other.unit != tag.unit:
                found = f"{partner.tag} in {other.unit or 'no unit'}, beside {tag.unit or 'no unit'}"
                yield Finding(path=path, found=found, allowed="two tags of one unit")


def test_constants(site: Site) -> Findings:
    """A constant proves the device that it is read from, and no other."""
    for name, device in site.devices.items():
        constant = device.test_constant
        tag = site.tags.get(constant.tag) if constant is not None else None
        if tag is not None and tag.device != name:
            path = ("devices", name, "test_constant", "tag")
            found = f"{constant.tag if constant else ''} of {tag.device}"
            yield Finding(path=path, found=found, allowed=f"a tag of {name}")


def own_tags(site: Site) -> Findings:
    """Each figure is about what it can be about."""
    for name, own in site.own_tags.items():
        path: KeyPath = ("own_tags", name)
        yield from _subject(path, own, site)
        if (own.file is not None) != (own.figure == "file"):
            found = f"file at figure {own.figure}" if own.file is not None else "figure file without a file"
            key = "file" if own.file is not None else "figure"
            yield Finding(path=(*path, key), found=found, allowed="file together with figure: file")
        for key in ("scale", "offset"):
            if getattr(own, key) != OwnTag.model_fields[key].default and own.figure != "file":
                found = f"{key} at figure {own.figure}"
                yield Finding(path=(*path, key), found=found, allowed=f"{key} together with figure: file")


def _subject(path: KeyPath, own: OwnTag, site: Site) -> Findings:
    section = {"line": "connections", "device": "devices"}.get(own.figure.partition("_")[0])
    if section is None:
        if own.of is not None:
            found = f"of at figure {own.figure}"
            yield Finding(path=(*path, "of"), found=found, allowed="of with a figure of a line or a device")
    elif own.of is None:
        found = f"{own.figure} without of"
        yield Finding(path=(*path, "figure"), found=found, allowed=f"of with a name of {section}", advice="Add of.")
    elif own.of not in getattr(site, section):
        finding = undeclared((*path, "of"), own.of, section, getattr(site, section))
        yield Finding(
            path=finding.path,
            found=finding.found,
            allowed=finding.allowed,
            advice=finding.advice,
            missing_from=frozenset({section}),
        )


def reasons(site: Site) -> Findings:
    """Reasons that count and reasons that do not are two ways to say one thing."""
    for question in questions(site):
        bad = question.condition.bad_quality
        if bad is not None and bad.because and bad.except_for:
            path = (*question.path, "except_for")
            yield Finding(path=path, found="because and except_for", allowed="at most one of them")
