"""What may leave, and what may be combined."""
