"""A record of a verification, as JSON for a program and as text for a person's file. Never written over another."""

import argparse
import json
import os
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from gateway.commands.output import write, write_json
from gateway.errors import GatewayError, UsageError
from gateway.files import write_new

__all__ = ["NOT_FISCAL", "check_folder", "file_stem", "instant_text", "show_and_keep"]

NOT_FISCAL = (
    "Monitoring only: not for custody transfer, fiscal, excise or legal-metrology use; not an overfill prevention "
    "system."
)


def file_stem(kind: str, subject: str, at: datetime) -> str:
    """Such as `loop-check-IO-BO5-innage-20261125T060000Z`; what a file name cannot hold becomes a dash."""
    safe = "".join(character if character.isalnum() or character in "-_." else "-" for character in subject)
    return f"{kind}-{safe}-{at:%Y%m%dT%H%M%SZ}"


def instant_text(at: datetime) -> str:
    """ISO 8601, UTC."""
    return at.replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"


def check_folder(folder: str) -> None:
    """Before anybody climbs a tank or feeds a current. Raises UsageError where a record could not be written."""
    path = Path(folder)
    if not path.is_dir():
        what = "is no folder" if path.exists() else "is not there"
        raise UsageError(f"--folder: '{folder}' {what}, and the record goes there", "make it first, or name another")
    if not os.access(path, os.W_OK | os.X_OK, effective_ids=True):
        raise UsageError(f"--folder: nothing may be written in '{folder}' by this user", "name another")


def show_and_keep(arguments: argparse.Namespace, stem: str, document: Mapping[str, Any], lines: Sequence[str]) -> None:
    """Shows the record and keeps it in the folder of the arguments: as text, or with --json as the program's. Raises
    GatewayError where it cannot be kept."""
    if not arguments.json:
        write(*lines, "")
    made = _keep(arguments.folder, stem, document, lines)
    if arguments.json:
        write_json(document)
    else:
        write(f"kept as {made[0]} and {made[1]}")


def _keep(folder: str, stem: str, document: Mapping[str, Any], lines: Sequence[str]) -> tuple[Path, Path]:
    """The two files. Raises GatewayError when they cannot be written, or are there already; the record is then printed,
    for what was dipped or fed is not done again so soon."""
    base = Path(folder)
    made = base / f"{stem}.json", base / f"{stem}.txt"
    texts = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False), "\n".join(lines)
    for path, text in zip(made, texts, strict=True):
        try:
            write_new(path, text + "\n")
        except OSError as error:
            write(texts[0])
            raise GatewayError(
                f"the record {path} cannot be written: {(error.strerror or str(error)).lower()}"
            ) from error
    return made
