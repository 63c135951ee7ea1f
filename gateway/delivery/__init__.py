"""Records to the world: one protocol, one file."""
