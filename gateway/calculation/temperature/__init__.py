"""The temperature of the liquid from the elements that are in it."""
