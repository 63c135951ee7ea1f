"""Site file to typed, frozen plans for each stage, with file, line and key in every error."""
