"""The operating record of a day, month or year: computed from values, laid out, and printed. Reads no store itself."""
