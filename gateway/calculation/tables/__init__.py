"""Capacity tables: made, read and searched for slips of the pen."""
