"""Entries that a tablet kept while there was no network, and how far its clock is wrong."""
