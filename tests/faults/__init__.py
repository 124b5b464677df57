"""Faults in the large: what the record and the gateway make of them."""
