"""What happened: entries, the journal on disk, the case folded from it."""
