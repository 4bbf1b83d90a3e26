"""Hands-free, offline case log for the cardiac catheterisation laboratory."""

from importlib.metadata import version

__version__ = version("checkback")
