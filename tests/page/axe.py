"""axe-core, the rules of the WCAG that a program can check, run inside the page. For tests only.

It comes from the package axe-core-python (MIT), which carries axe-core 4.4.3 (MPL-2.0) and needs nothing else; the
packages with a newer one bring a second driver of browsers along. What WCAG 2.2 added, the size of targets, is measured
by the tests themselves.
"""

from importlib.resources import files
from typing import Any, NamedTuple

from tests.page.reading import Page

__all__ = ["Finding", "serious_findings"]

_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]


class Finding(NamedTuple):
    rule: str
    impact: str
    what: str
    where: tuple[str, ...]


def serious_findings(page: Page) -> list[Finding]:
    """What axe calls serious or critical in the page as it stands now."""
    if not page.script("return typeof axe !== 'undefined'"):
        # By the protocol and not as a script element, which the page's own policy would refuse.
        source = files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")
        page.cdp("Runtime.evaluate", expression=source)
    found: dict[str, Any] = page.promise(
        "return await axe.run(document, {runOnly: {type: 'tag', values: arguments[0]}, resultTypes: ['violations']});",
        _TAGS,
    )
    return [
        Finding(
            each["id"],
            each["impact"],
            each["help"],
            tuple(f"{node['target']} {node['html']}" for node in each["nodes"]),
        )
        for each in found["violations"]
        if each["impact"] in ("serious", "critical")
    ]
