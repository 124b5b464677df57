"""The record before third parties: is it what was written, and the same in plain text. Reads a record, changes none."""
