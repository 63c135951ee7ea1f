"""Lines, register maps and instruments of the site file."""
