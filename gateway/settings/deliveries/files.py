"""Folders of files: from the site file to their frozen plans."""

import os
from pathlib import Path

from gateway.delivery.files.names import DAY_S
from gateway.delivery.plan import FilesPlan
from gateway.settings.deliveries.models import FilesModel
from gateway.settings.deliveries.surroundings import Reading
from gateway.settings.reading.document import KeyPath

__all__ = ["files_plan"]

_SHORTEST_S = 60.0


def files_plan(model: FilesModel, path: KeyPath, reading: Reading) -> FilesPlan:
    """One folder."""
    each_s = round(model.each)
    # Parts of a day, so that files begin at the same times every day.
    if abs(model.each - each_s) > 1e-6 or each_s < _SHORTEST_S or each_s > DAY_S or DAY_S % each_s:
        text = f"{model.each:g} s is no whole part of a day from 1 min to 24 h; write for example 24 h, 1 h or 15 min"
        reading.mistakes.add((*path, "each"), text)
    folder = _folder(model.folder, (*path, "folder"), reading)
    return FilesPlan(folder=folder, format=model.format, each_s=float(each_s), given_name=model.name)


def _folder(text: str, key: KeyPath, reading: Reading) -> Path:
    """Counts from the file in which it is written."""
    folder = Path(reading.document.place(key).file).parent / text
    # Warnings only: the machine and the user that run the file may be others than those that check it.
    try:
        if not folder.is_dir():
            reading.manual.warn(key, f"there is no folder {folder} on this machine; it is to be there before the start")
        elif not os.access(folder, os.W_OK | os.X_OK, effective_ids=True):
            reading.manual.warn(key, f"{folder} may not be written by this user")
    except (OSError, ValueError) as error:
        reading.manual.warn(key, f"{folder} cannot be looked at: {error}")
    return folder
