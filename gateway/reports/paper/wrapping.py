"""Pure: a text broken into lines that are not wider than there is room."""

from gateway.reports.paper.marks import Measure

__all__ = ["longest_word", "wrapped"]


def wrapped(text: str, width: float, size: float, measure: Measure, *, bold: bool = False, most: int = 60) -> list[str]:
    """At most `most` lines; the last then ends with an ellipsis. A word that is too wide is broken."""
    if measure(text, size, bold) <= width:
        return [text]
    lines: list[str] = []
    line = ""
    for word in text.split(" "):
        longer = f"{line} {word}" if line else word
        if measure(longer, size, bold) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        *full, line = _pieces(word, width, size, measure, bold)
        lines += full
    lines.append(line)
    if len(lines) > most:
        lines = [*lines[: most - 1], f"{lines[most - 1][:-1]}\u2026"]
    return lines


def longest_word(text: str, size: float, measure: Measure, *, bold: bool = False) -> float:
    """How wide the widest of its words is."""
    return max((measure(word, size, bold) for word in text.split(" ")), default=0.0)


def _pieces(word: str, width: float, size: float, measure: Measure, bold: bool) -> list[str]:
    pieces = []
    while word and measure(word, size, bold) > width:
        # The longest beginning that fits, and one character at least.
        low, high = 1, len(word)
        while low < high:
            middle = (low + high + 1) // 2
            if measure(word[:middle], size, bold) <= width:
                low = middle
            else:
                high = middle - 1
        pieces.append(word[:low])
        word = word[low:]
    return [*pieces, word]
