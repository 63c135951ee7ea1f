"""Modbus frames, pure: bytes in, facts out. Shared by all who speak it."""
