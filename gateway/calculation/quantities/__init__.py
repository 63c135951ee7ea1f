"""Volumes and masses of a tank whose level and temperature are known."""
