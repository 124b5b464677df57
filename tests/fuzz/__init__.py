"""Any octets into whatever takes octets from others: ``python -m tests.fuzz`` for long, a few seconds in the suite."""
