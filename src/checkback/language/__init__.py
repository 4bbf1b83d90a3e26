"""Words become entries, entries become words."""
