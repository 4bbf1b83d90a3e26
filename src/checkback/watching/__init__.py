"""Clocks and limits that look at the case."""
