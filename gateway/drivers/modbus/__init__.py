"""Modbus: registers to numbers, tags to read blocks, and the one connection."""
