"""Deliveries of the site file."""
