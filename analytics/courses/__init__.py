"""From records to feet."""
