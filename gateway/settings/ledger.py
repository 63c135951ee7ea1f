"""The ledger: from the site file to its frozen plan."""

from typing import Annotated

from pydantic import Field

from gateway.ledger.plan import LedgerPlan
from gateway.settings.deliveries.surroundings import Reading
from gateway.settings.reading.document import KeyPath
from gateway.settings.reading.fields import DataSize, Duration, Section, Text, YesNo
from gateway.settings.reading.validation import validate

__all__ = ["LedgerModel", "build_ledger"]

_PATH: KeyPath = ("ledger",)
_EVERY_S = (1.0, 3600.0)
_COMMIT_S = (0.1, 60.0)
_LEAST_KEEP_S = 3600.0
_LEAST_BYTES = 20_000_000


class LedgerModel(Section):
    """What is kept on the disk, and for how long."""

    enabled: Annotated[YesNo, Field(description="no: nothing is kept, and no history is delivered")] = True
    file: Annotated[Text | None, Field(description="In the state directory unless given")] = None
    every: Annotated[Duration, Field(description="A record of each tank, 1 s to 1 h; and at once on a change")] = 10.0
    commit: Annotated[Duration, Field(description="What a power cut can cost, 100 ms to 60 s")] = 1.0
    keep: Annotated[Duration, Field(description="History is kept so long, and until all destinations have it")] = (
        72 * 3600.0
    )
    largest: Annotated[DataSize, Field(description="Of the file; at that the oldest history goes")] = 4_000_000_000


def build_ledger(reading: Reading) -> LedgerPlan | None:
    """The ledger's plan; None where nothing is to be kept."""
    if reading.document.node(_PATH) is None:
        return LedgerPlan()
    checked = validate(LedgerModel, reading.document, _PATH, reading.mistakes)
    if checked is None or checked.dropped:
        return None
    model = checked.model
    _check(model, reading)
    if not model.enabled:
        return None
    return LedgerPlan(
        file=reading.file_to_write(model.file, (*_PATH, "file")),
        every_s=model.every,
        commit_s=model.commit,
        keep_s=model.keep,
        largest_bytes=model.largest,
    )


def _check(model: LedgerModel, reading: Reading) -> None:
    mistakes = reading.mistakes
    if not _EVERY_S[0] <= model.every <= _EVERY_S[1]:
        mistakes.add((*_PATH, "every"), f"{model.every:g} s between two records of a tank; give 1 s to 1 h")
    if not _COMMIT_S[0] <= model.commit <= _COMMIT_S[1]:
        mistakes.add((*_PATH, "commit"), f"{model.commit:g} s until a commit; give 100 ms to 60 s")
    if model.keep < _LEAST_KEEP_S:
        mistakes.add((*_PATH, "keep"), f"{model.keep:g} s of history; give 1 h or more")
    if model.largest < _LEAST_BYTES:
        text = f"{model.largest / 1e6:g} MB hold too little for a file of its kind; give 20 MB or more"
        mistakes.add((*_PATH, "largest"), text)
