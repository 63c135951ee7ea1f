"""Book against physical: what should be there, what is there, and how far that may be apart."""
