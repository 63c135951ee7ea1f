"""For whoever sets up and runs the gateway."""
