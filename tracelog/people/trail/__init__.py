"""The audit trail as people read it: searched, compared, saved, and checked record by record."""
