"""The HTTP interface: metrics and current inventories."""
