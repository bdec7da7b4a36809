"""From a file to records."""
