"""Registers to readings, pure: what words mean, how old they are, and what makes them doubtful."""
