"""For whoever makes and checks capacity tables."""
