"""Shared by all tests; this file also puts ``tests/`` on the path, for ``drawn``."""
