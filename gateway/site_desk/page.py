"""What is kept of the site file, as documents."""

import re
from collections.abc import Sequence
from typing import Any

from gateway.files import UnreadableError, read_bytes
from gateway.settings.reading.source_files import SourceFile, sha256_of
from gateway.site_desk.proposal import Change, Proposal, Step

__all__ = ["beside_documents", "change_of", "mistake_documents", "proposal_document"]

_LARGEST = 8_000_000
_LINE = re.compile(r":(\d+): ")


def proposal_document(proposal: Proposal, *, fits: bool) -> dict[str, Any]:
    kept = proposal._asdict()
    names = ("number", "state", "sha256", "by", "why", "at", "ends", "version", "said")
    tables = [
        {"name": name, "sha256": sha256_of(text.encode()), "size": len(text.encode())}
        for name, text in proposal.tables.items()
    ]
    told = {name: kept[name] for name in names}
    return {**told, "changes": list(proposal.changes), "tables": tables, "fits": fits and proposal.state == "waits"}


def change_of(last: Change | None, in_force: str) -> dict[str, str]:
    """Whose change the file in force is; nobody's where it was put there on the machine."""
    if last is None or last.step != Step.DONE or last.after != in_force:
        return {"by": "", "approved_by": "", "why": ""}
    return {"by": last.by, "approved_by": last.approved_by, "why": last.why}


def beside_documents(files: Sequence[SourceFile]) -> list[dict[str, Any]]:
    """Each with whether what lies there now is another. Reads them."""
    return [
        {"name": str(each.path), "sha256": each.sha256, "size": each.size, "differs": _now(each) != each.sha256}
        for each in files
    ]


def mistake_documents(mistakes: Sequence[str], file: str) -> list[dict[str, Any]]:
    """`file`: the one that was sent, whose lines are to be found in it."""
    return [{"text": text, "line": _line(text, file)} for text in mistakes]


def _line(text: str, file: str) -> int | None:
    found = _LINE.match(text, len(file)) if text.startswith(file) else None
    return None if found is None else int(found[1])


def _now(file: SourceFile) -> str:
    try:
        return sha256_of(read_bytes(file.path, _LARGEST))
    except UnreadableError:
        return ""
