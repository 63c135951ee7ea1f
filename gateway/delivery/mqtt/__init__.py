"""Delivery to MQTT servers."""
