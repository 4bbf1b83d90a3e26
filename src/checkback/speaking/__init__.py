"""The voice that checks back."""
