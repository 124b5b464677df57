"""Devices: how to read blocks and write declared outputs, whatever the protocol. Decides nothing."""
