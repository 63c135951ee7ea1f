"""Registers on a wire to Readings."""
