"""Retention: months of readings that are old enough go into files, and out of the table."""
