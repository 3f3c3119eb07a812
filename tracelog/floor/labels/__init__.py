"""Printed labels for machines and tools, and the short addresses that they bear."""
