"""Tanks of the site file."""
