"""Ways of correcting for temperature and pressure: one published method a file, one signature (contracts.py)."""
