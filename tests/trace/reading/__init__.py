"""Tests of reading a code that can hardly be read."""
