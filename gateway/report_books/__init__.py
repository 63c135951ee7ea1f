"""Reports made of the books that a ledger keeps: for whoever types for one, and for whoever asks over HTTP."""
