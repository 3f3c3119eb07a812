"""Sequence checks: do bad cans repeat in the order in which they were made."""
