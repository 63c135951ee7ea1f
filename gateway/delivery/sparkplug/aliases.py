"""Pure: the numbers by which data name their metrics."""

__all__ = ["Aliases"]


class Aliases:
    """A number for each metric of node and devices, never another's for as long as the process lives."""

    def __init__(self) -> None:
        self._of: dict[str, dict[str, int]] = {}
        self._last = 0

    def of(self, device: str, name: str) -> int:
        known = self._of.setdefault(device, {})
        if name not in known:
            self._last += 1
            known[name] = self._last
        return known[name]
