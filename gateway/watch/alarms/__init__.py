"""Alarms by the state model of ISA-18.2 / IEC 62682, as OPC 10000-9 describes it publicly. Pure."""
