"""Delivery of finished files to other systems: a queue on disk, and what posts from it."""
