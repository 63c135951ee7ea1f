"""What is fixed for a line and its instruments until the site file changes."""

from dataclasses import dataclass

from gateway.acquisition.register_map import InstrumentMap

__all__ = ["InstrumentPlan", "LinePlan"]


@dataclass(frozen=True, slots=True)
class InstrumentPlan:
    tag: str
    unit: int
    """Modbus unit identifier (server address), 0 to 255 on TCP."""
    map: InstrumentMap
    period_s: float
    timeout_s: float


@dataclass(frozen=True, slots=True)
class LinePlan:
    """One Modbus TCP line: one connection, one task, one request at a time."""

    name: str
    host: str
    port: int
    instruments: tuple[InstrumentPlan, ...]
    connect_timeout_s: float = 3.0
    backoff_first_s: float = 0.5
    backoff_longest_s: float = 30.0
