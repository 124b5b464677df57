"""What only shows over hours and days: data over the link, memory, file handles, the database. ``make soak``."""
