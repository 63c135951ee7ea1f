"""OPC UA: a server in a process of its own, for a historian, a control system or a panel."""
