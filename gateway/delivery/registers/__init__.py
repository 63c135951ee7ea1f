"""The register map: the present state of a site for a control system or PLC that reads Modbus TCP. Read only."""
