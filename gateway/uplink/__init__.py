"""Uplink process: everything towards the outside, nothing towards the plant."""
