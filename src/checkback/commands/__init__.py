"""Commands that stand in files of their own; the front door takes them in."""
