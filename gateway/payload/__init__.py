"""Records to plain values and back, with their JSON Schemas: one place for all who send, show or keep them."""
