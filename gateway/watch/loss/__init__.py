"""Losses too slow to be seen as movement. Pure. No regulatory leak-detection method."""
