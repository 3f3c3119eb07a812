"""Dome-number checks: do a handful of bad cans suggest one machine."""
