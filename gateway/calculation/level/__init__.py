"""Where the level comes from, and where it stands."""
