"""People of the page: they come by a one-time code of the terminal, and do what its dialogs are for."""

import json
import re
import urllib.request

from tests.page.reading import Page
from tests.page.signing_in import PASSWORD, invited
from tests.page.site_process import DemoSite

__all__ = ["choose", "done", "joins", "signs_in"]


def joins(site: DemoSite, name: str, role: str) -> None:
    given = json.dumps({"code": invited(site, role), "name": name, "password": PASSWORD}).encode()
    headers = {"Content-Type": "application/json", "Origin": site.address}
    with urllib.request.urlopen(urllib.request.Request(f"{site.address}/api/1/join", given, headers)) as answer:
        assert answer.status == 200


def signs_in(page: Page, name: str) -> None:
    """In the middle of something: what was typed stays."""
    page.find("textbox", re.compile("^Name")).type(name)
    page.find("textbox", re.compile("^Password")).type(PASSWORD)
    page.find("button", "Sign in").click()


def choose(page: Page, label: str, option: str) -> None:
    """In the dialog that is open."""
    box = page.find("dialog").find("combobox", re.compile(f"^{label}"))
    box.element.find_element("xpath", f".//option[normalize-space()='{option}']").click()


def done(page: Page, verb: str, *, signing_in: str = "") -> tuple[str, str]:
    """What it will do stands there before it is done. What the dialog said, before and after."""
    page.find("button", "Show what it will do").click()
    if signing_in:
        signs_in(page, signing_in)
    page.find("heading", "What will be done")
    told = page.find("dialog").text
    page.find("dialog").find("button", verb).click()
    page.find("heading", "Done")
    answered = page.find("dialog").text
    page.find("button", "Close").click()
    page.gone("dialog")
    return told, answered
