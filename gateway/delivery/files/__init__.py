"""Delivery into folders of files."""
