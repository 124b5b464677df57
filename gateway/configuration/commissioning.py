"""What a person commissions: the rule, and a fingerprint of everything that says what is written where.

The fingerprint changes with the outputs, their block, its registers, the
device and the address that the requests go to; it does not change with what
is only read, judged or sent, nor with words and roles.
"""

import hashlib
import json
from typing import Any

from gateway.configuration.schema import OutputBlock, SerialConnection, Site
from gateway.core.commissioning import CommissioningRule

_NOT_WRITTEN = {"service", "stroke_s", "peak_m3_h", "starts"}  # words, what the budget reckons with, and when
_PLACE = {"device", "table", "address", "type", "byte_order"}  # keys of a tag that say where and how it is written


def commissioning_rule(site: Site) -> CommissioningRule | None:
    """What is to be commissioned; None for a site that writes nothing."""
    block = site.output_block
    if block is None:
        return None
    return CommissioningRule(
        roles=frozenset(block.commissioning_roles),
        fingerprint=_fingerprint(site, block),
        registers=block.registers,
    )


def _fingerprint(site: Site, block: OutputBlock) -> str:
    """SHA-256, in hexadecimal, over outputs, block, registers and where they lie."""
    written = {
        "outputs": {name: one.model_dump(mode="json", exclude=_NOT_WRITTEN) for name, one in site.outputs.items()},
        "block": block.model_dump(mode="json", exclude={"commissioning_roles"}),
        "registers": {name: site.tags[name].model_dump(mode="json", include=_PLACE) for name in block.registers},
        "unit_id": site.devices[block.device].unit_id,
        "address": _address(site, block),
    }
    text = json.dumps(written, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _address(site: Site, block: OutputBlock) -> list[Any]:
    keys = site.connections[block.connection]
    if isinstance(keys, SerialConnection):
        return [keys.transport, keys.device]
    return [keys.transport, keys.host, keys.port]
