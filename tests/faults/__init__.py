"""The fault campaign: what was promised, broken on purpose many times, and what was lost."""
