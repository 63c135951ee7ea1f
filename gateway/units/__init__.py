"""Quantities, units and what people write for them, pure: text to SI and back."""
