"""Telemetry edge gateway with alarm logic for unattended water-reuse plants."""

__version__ = "0.1.0"
