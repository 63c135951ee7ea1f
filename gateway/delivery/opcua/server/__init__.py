"""The server itself, as its own process runs it. Nothing here is imported by the gateway."""
