"""Capacity tables from CSV files."""
