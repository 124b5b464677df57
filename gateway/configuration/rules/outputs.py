"""Outputs: levels that can be told apart, and registers that can be written as one block."""

from collections.abc import Iterator
from difflib import get_close_matches
from itertools import pairwise

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.schema import Output, OutputBlock, SerialConnection, Site

Findings = Iterator[Finding]

_ONE_REGISTER = frozenset({"uint16", "int16"})


def output_levels(site: Site) -> Findings:
    """Levels are told apart by their codes, and safe is not normal for a permission."""
    for name, output in site.outputs.items():
        path: KeyPath = ("outputs", name)
        for key in ("safe_level", "normal_level", "resume_level"):
            level = getattr(output, key)
            if level and level not in output.levels:
                yield unknown_level((*path, key), level, output)
        yield from _equal_codes(path, output)
        if output.safe_level == output.normal_level:
            found = f'"{output.normal_level}", the safe level'
            yield Finding(path=(*path, "normal_level"), found=found, allowed="another level than safe_level")
        if bool(output.resume_level) != (output.resume_s > 0):
            key = "resume_level" if output.resume_level else "resume_s"
            yield Finding(
                path=(*path, key), found=f"{key} alone", allowed="resume_level together with resume_s above 0"
            )


def _equal_codes(path: KeyPath, output: Output) -> Findings:
    seen: dict[int, str] = {}
    for level, code in output.levels.items():
        first = seen.setdefault(code, level)
        if first != level:
            found = f"{code}, which means {first} already"
            yield Finding(path=(*path, "levels", level), found=found, allowed="another code for each level")


def unknown_level(path: KeyPath, level: str, output: Output) -> Finding:
    """The finding that an output has no such level."""
    nearest = get_close_matches(level, list(output.levels), n=1, cutoff=0.4)
    advice = f"Did you mean {nearest[0]}?" if nearest else ""
    return Finding(path=path, found=f'"{level}"', allowed=f"one of {', '.join(output.levels)}", advice=advice)


def permitted_without_data(site: Site) -> Findings:
    """A permission, or a motor, that no interlock watches would be given whatever the plant says, or does not say."""
    watched = {output for one in site.interlocks.values() if not one.shadow for output in one.effects}
    for name, output in site.outputs.items():
        if (output.permit or output.starts) and name not in watched:
            what = "a motor" if output.starts else "a permission"
            yield Finding(
                path=("outputs", name),
                found=f"{what} that no interlock acts on, so that it stands without any data",
                allowed="an interlock with this output among its effects",
                advice="Add the interlock that says what it needs.",
                missing_from=frozenset({"interlocks"}),
            )


def output_registers(site: Site) -> Findings:
    """Outputs are registers of the output block that can be written."""
    owners: dict[str, str] = {}
    for name, output in site.outputs.items():
        path: KeyPath = ("outputs", name, "register")
        register = output.register_tag
        tag = site.tags.get(register)
        first = owners.setdefault(register, name)
        if tag is not None and (tag.table != "holding" or tag.type not in _ONE_REGISTER):
            found = f"{register}, {tag.type} in the {tag.table} table"
            yield Finding(path=path, found=found, allowed="a holding register of 16 bits; other tables are read-only")
        elif first != name:
            yield Finding(path=path, found=f"{register}, which is {first} already", allowed="one output a register")
        elif tag is not None:
            yield from _in_block(path, register, site.output_block)


def _in_block(path: KeyPath, register: str, block: OutputBlock | None) -> Findings:
    if block is None:
        yield Finding(
            path=path,
            found=f"{register} without an output_block",
            allowed="a register of the output block",
            advice="Declare output_block.",
            missing_from=frozenset({"output_block"}),
        )
    elif register not in block.registers or register == block.heartbeat:
        found = (
            f"{register}, which is the heartbeat" if register == block.heartbeat else f"{register}, not in the block"
        )
        others = [name for name in block.registers if name != block.heartbeat]
        yield Finding(path=path, found=found, allowed=f"one of {', '.join(others)}")


def output_block(site: Site) -> Findings:
    """The block is one piece of one table of one device, and every register in it has an owner."""
    block = site.output_block
    if block is None:
        return
    if block.heartbeat not in block.registers:
        allowed = f"one of {', '.join(block.registers)}"
        yield Finding(path=("output_block", "heartbeat"), found=f"{block.heartbeat}, not in the block", allowed=allowed)
    device = site.devices.get(block.device)
    if device is not None and device.connection != block.connection:
        found = f"{block.connection}, while {block.device} is on {device.connection}"
        yield Finding(path=("output_block", "connection"), found=found, allowed=device.connection)
    if device is not None and len(block.registers) > device.longest_read:
        found = f"{len(block.registers)} registers, which are read back in one piece"
        allowed = f"at most {device.longest_read}, the longest read of {block.device}"
        yield Finding(path=("output_block", "registers"), found=found, allowed=allowed)
    yield from _block_registers(site, block)


def output_connection(site: Site) -> Findings:
    """Writing has a connection of its own beside the one that polls, so the far end must allow two."""
    block = site.output_block
    connection = site.connections.get(block.connection) if block is not None else None
    if block is None or connection is None:
        return
    why = "a serial line" if isinstance(connection, SerialConnection) else "single: true" if connection.single else ""
    if why:
        yield Finding(
            path=("output_block", "connection"),
            found=f"{block.connection}, {why}, which only one may open",
            allowed="a connection over TCP that may be opened twice",
            advice="Write to a device that allows a second connection.",
        )


def _block_registers(site: Site, block: OutputBlock) -> Findings:
    path: KeyPath = ("output_block", "registers")
    owners = {output.register_tag for output in site.outputs.values()} | {block.heartbeat}
    told = not owners <= set(block.registers)  # an output stands elsewhere: the gap it leaves is no second fault
    yield from _gap(path, site, block)
    for number, name in enumerate(block.registers):
        tag = site.tags.get(name)
        if tag is not None and tag.device != block.device:
            yield Finding(path=(*path, number), found=f"{name} of {tag.device}", allowed=f"registers of {block.device}")
        if name not in owners and not told:
            yield Finding(
                path=(*path, number),
                found=f"{name}, which is neither the heartbeat nor the register of an output",
                allowed="registers that the gateway knows what to write to",
                advice="Declare the output.",
                missing_from=frozenset({"outputs"}),
            )


def _gap(path: KeyPath, site: Site, block: OutputBlock) -> Findings:
    """The first register that does not follow the one before it; what comes after is not told again."""
    tags = [site.tags.get(name) for name in block.registers]
    for number, (before, tag) in enumerate(pairwise(tags), start=1):
        one_device = before is not None and tag is not None and before.device == tag.device
        if one_device and before and tag and tag.address != before.address + 1:
            found = f"{block.registers[number]} at address {tag.address}"
            allowed = f"address {before.address + 1}, so that the block has no gap"
            yield Finding(path=(*path, number), found=found, allowed=allowed)
            return
