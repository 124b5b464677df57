"""Recorded history through the same decisions again. Reads a record, writes nothing."""
