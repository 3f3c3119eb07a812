"""Erasing the name of a person, with everything that they recorded left in place."""
