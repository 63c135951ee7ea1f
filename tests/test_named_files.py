"""Files that the pages for people name are where the pages say: after a move nobody is sent to a room that is empty."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
_PAGES = ("README.md", "DEVELOPERS.md", "deploy/README.md", ".changes/README.md")
_SPANS = re.compile(r"`([^`\n]+)`")
_MODULE = re.compile(r"[\w/]*\w\.py")
_PLACE = re.compile(r"(?:gateway|simulators|config|tests|deploy)/[\w./-]+")
_MODULES = [
    f"/{path.relative_to(ROOT)}"
    for folder in ("gateway", "simulators", "tests/site_fuzz", "tests/crash", "tests/page")
    for path in (ROOT / folder).rglob("*.py")
]


def _is_there(named: str) -> bool:
    """A module by the end of its path, anything else by the whole of it."""
    if _MODULE.fullmatch(named):
        return (ROOT / named).is_file() or any(module.endswith(f"/{named}") for module in _MODULES)
    return (ROOT / named).exists()


@pytest.mark.parametrize("page", _PAGES)
def test_each_file_that_a_page_names_is_there(page: str) -> None:
    words = [word.rstrip(".,:;") for span in _SPANS.findall((ROOT / page).read_text("utf-8")) for word in span.split()]
    # NAME stands for one that is still to be written.
    named = {word for word in words if (_MODULE.fullmatch(word) or _PLACE.fullmatch(word)) and "NAME" not in word}
    assert sorted(word for word in named if not _is_there(word)) == []
    assert named or page == ".changes/README.md"
