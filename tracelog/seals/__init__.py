"""Seals of rows: short hashes by which a row that was altered past the application is found."""
