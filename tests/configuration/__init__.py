"""Tests of reading, checking and converting a site folder."""
