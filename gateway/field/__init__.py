"""The process at the plant: reads, scans, acts, records, and serves the local socket. No network to the outside."""
