"""How a number looks, not what it is."""
