"""Densities: entered, measured, and at a temperature."""
