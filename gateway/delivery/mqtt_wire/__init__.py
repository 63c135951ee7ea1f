"""The wire to an MQTT server, whatever is said over it."""
