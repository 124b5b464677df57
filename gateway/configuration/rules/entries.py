"""Checks of instruments: bands that can be read, in the unit of their tag."""

from collections.abc import Iterator

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.schema import Site
from gateway.core.entry import NotThat, band_of

Findings = Iterator[Finding]


def bands(site: Site) -> Findings:
    """A band is a number with the tag's unit, or a share in per cent, or both."""
    for tag, keys in site.entries.checks.items():
        path: KeyPath = ("entries", "checks", tag, "band")
        try:
            band = band_of(keys.band)
        except NotThat as why:
            yield Finding(
                path=path, found=repr(keys.band), allowed="a band such as '0.1 mg/L or 15 %'", advice=str(why)
            )
            continue
        if band.unit and tag in site.points and band.unit != site.points[tag].unit:
            unit = site.points[tag].unit
            yield Finding(path=path, found=f"a band in {band.unit}", allowed=f"{unit}, the unit of {tag}, or per cent")
