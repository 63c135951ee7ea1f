"""Notification by e-mail."""
