"""Stock on hold: what is held, what was found and decided, and by whom."""
