"""Complaints: what arrived from a filler, what is on record about it, and the answer."""
