"""TankInput to Inventory. Pure: no I/O, no clock, no logging, no asyncio."""
