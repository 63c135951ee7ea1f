"""The demo and the simulators."""
