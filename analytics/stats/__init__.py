"""Textbook functions on arrays; as true of light bulbs as of anything else."""
