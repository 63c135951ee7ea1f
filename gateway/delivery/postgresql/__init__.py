"""Delivery to PostgreSQL databases."""
