"""tank-gateway: tank level and temperature in, volume, standard volume and mass out. Monitoring only."""

__version__ = "0.1.0"

__all__ = ["__version__"]
