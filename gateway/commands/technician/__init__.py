"""For the technician at the panel."""
