"""The live view: one document, its changes, and who looks at it."""
