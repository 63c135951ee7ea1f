"""History calculated again."""
