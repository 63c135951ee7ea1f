"""What stands above a liquid under pressure."""
