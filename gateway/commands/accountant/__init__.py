"""For the stock accountant."""
