"""What is asked for and done over HTTP under /api/1: its endpoints, how they are answered, and their description."""
