"""Bailout cards: what has been tried, what is left, and the clock of an arrest."""
