"""What the watch of the tanks goes by, from the site file: alarms, movement, loss, levels of concern."""
