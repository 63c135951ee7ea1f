"""What can go wrong with a simulated site."""

__all__ = ["ScenarioError", "SimulatorError"]


class SimulatorError(Exception):
    """Base of everything this package raises on purpose."""


class ScenarioError(SimulatorError):
    """A scenario cannot be used as written. Retrying does not help: the file or the argument has to change.

    `lines` holds one sentence for each mistake, each naming file, line and key where they are known.
    """

    def __init__(self, *lines: str) -> None:
        self.lines = lines
        super().__init__("\n".join(lines))
