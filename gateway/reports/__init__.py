"""Figures of a site's record over a period, and the files they are written to. Values in, text out."""
