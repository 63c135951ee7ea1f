"""Products and densities of the site file."""
