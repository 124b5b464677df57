"""The bench: what the gateway costs, beside the bare libraries on the same work. See frame.py; make bench runs it."""
