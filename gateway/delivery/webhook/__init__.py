"""Notification by HTTP to an address of somebody's own."""
