"""People of a test: invited in the terminal as an installer does it, and signed in on a page."""

import json

from tests.page.reading import Page
from tests.page.site_process import DemoSite

__all__ = ["PASSWORD", "audit_when", "invited", "signed_in"]

PASSWORD = "long enough for a yard"
_JOIN = """
const [code, name, password] = arguments;
const answer = await fetch("/api/1/join", {
  method: "POST",
  headers: { "Content-Type": "application/json" },
  body: JSON.stringify({ code, name, password }),
});
return [answer.status, await answer.text()];
"""


def invited(site: DemoSite, role: str, *name: str) -> str:
    """The one-time code."""
    answer = json.loads(site.run("people", "invite", *name, "--role", role, "--json"))
    code: str = answer["one_time_code"]
    return code


def signed_in(page: Page, site: DemoSite, name: str, role: str, place: str = "#/") -> Page:
    """Somebody new of that role is signed in there, and at that place."""
    page.open(place)
    page.find("main")
    status, text = page.promise(_JOIN, invited(site, role), name, PASSWORD)
    assert status == 200, text
    page.open(place)
    page.says(f"{name}, {role}")
    return page


def audit_when(site: DemoSite, words: str) -> str:
    """The audit trail of the ledger as the terminal prints it, once these words stand in it; empty until then."""
    trail = site.run("ledger", "audit", str(next(site.state.glob("*.ledger"))))
    return trail if words in trail else ""
