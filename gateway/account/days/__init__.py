"""Days of the site and their close."""
