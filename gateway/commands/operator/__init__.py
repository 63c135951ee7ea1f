"""For the operator."""
