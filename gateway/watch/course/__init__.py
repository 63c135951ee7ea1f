"""Whether the contents move, how fast, and what can be said of it. Pure."""
