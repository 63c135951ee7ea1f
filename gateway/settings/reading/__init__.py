"""YAML to checked values, with file, line and key of each."""
