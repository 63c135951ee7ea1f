"""What is asked for and done over HTTP, answered out of a gateway."""
