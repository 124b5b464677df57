"""The record: samples, journal, machine states and positions in one SQLite file of one process."""
