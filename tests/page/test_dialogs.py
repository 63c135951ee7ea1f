"""Dialogs by keyboard alone: focus goes in, stays in, and comes back; Escape leaves and does nothing."""

import re

from selenium.webdriver.common.keys import Keys

from tests.page.axe import serious_findings
from tests.page.conftest import Pages
from tests.page.reading import Look
from tests.page.signing_in import signed_in
from tests.page.site_process import DemoSite, eventually

_INSIDE = "return document.activeElement === document.body || document.activeElement.closest('dialog') !== null"


def test_a_dialog_holds_the_focus_and_gives_it_back(own_site: DemoSite, pages: Pages) -> None:
    page = signed_in(pages(own_site.address), own_site, "ida", "operator", "#/enter/BO-5")
    opener = page.find("button", re.compile("^Enter a dip"))
    for look in (Look(), Look(dark=True)):
        page.wear(look)
        opener.element.send_keys(Keys.ENTER)
        dialog = page.find("dialog")
        # It has a name, and what has the focus is in it.
        assert dialog.name.strip()
        eventually(
            lambda: page.script(_INSIDE + " && document.activeElement !== document.body"), "focus is inside", 5.0
        )
        first = page.focused()
        seen = set()
        for _ in range(40):
            page.press(Keys.TAB)
            assert page.script(_INSIDE), page.focused()
            seen.add(page.focused())
        assert first in seen, "going on leads round"
        # Backwards too, and nothing behind it can be reached by ear.
        page.press(Keys.SHIFT, Keys.TAB)
        assert page.script(_INSIDE), page.focused()
        assert not page.all("navigation")
        assert serious_findings(page) == []
        page.press(Keys.ESCAPE)
        page.gone("dialog")
        assert page.focused()[1] == opener.name
    # Nothing was entered by any of it.
    trail = own_site.run("ledger", "audit", str(next(own_site.state.glob("*.ledger"))))
    assert len([line for line in trail.splitlines() if "ida@page" in line]) == 1, "that she came, and no more"
