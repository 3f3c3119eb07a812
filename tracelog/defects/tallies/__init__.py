"""Entries added up by machine, kind of defect and day or month: what long questions rest on."""
