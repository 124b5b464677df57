"""Decisions: values in, values out. No clock, disk, network, log or await in here.

Read ``scan`` first; it is the order of one pass from top to bottom.
"""
