"""Notebooks opened and files written."""
