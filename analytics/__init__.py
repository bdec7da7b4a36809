"""Talipes Outcomes: programme-level outcomes analytics for clubfoot treatment."""
