"""Amounts that others measured: entered, taken back, and read from a file."""
