"""Who may come in: the first administrator by a code of the terminal, others by codes of his; what each one sees."""

import re

from tests.page.conftest import Pages
from tests.page.reading import Look
from tests.page.signing_in import PASSWORD, audit_when, invited, signed_in
from tests.page.site_process import DemoSite, eventually

OTHER = "another one for the yard"


def _roles(site: DemoSite) -> dict[str, str]:
    """As the terminal lists them."""
    lines = (re.match(r"(\w+): (\w+);", line) for line in site.run("people", "list").splitlines())
    return {found[1]: found[2] for found in lines if found}


def test_people_come_by_codes_and_go_when_an_administrator_says_so(own_site: DemoSite, pages: Pages) -> None:
    site = own_site
    first, second = pages(site.address), pages(site.address, Look(360, 740, dark=True))
    # What is refused is answered with its status, which a browser notes.
    first.expecting("40[139]")

    first.open("#/person")
    first.find("button", "I have a one-time code").click()
    first.find("textbox", "One-time code").type(invited(site, "administrator"))
    first.find("textbox", re.compile("^Your name here")).type("ada")
    first.find("textbox", "A new password").type(PASSWORD)
    first.find("textbox", "The same password again").type(PASSWORD)
    first.find("button", "Join").click()
    # Before anybody relies on it: what it is not.
    first.says("Read what this page is not, and say so.")
    assert _roles(site) == {}
    first.find("checkbox", "I have read this, and go by it.").click()
    first.find("button", "Join").click()
    first.says("ada is signed in")
    assert _roles(site) == {"ada": "administrator"}

    first.find("button", "Invite somebody").click()
    dialog = first.find("dialog")
    dialog.find("combobox", "Role").element.send_keys("operator")
    dialog.find("button", "Show what it will do").click()
    first.find("button", "Make the code").click()
    text = first.says("with this code whoever has it joins as operator")
    code = next(line for line in text.splitlines() if re.fullmatch(r"[0-9A-Za-z]{3,}(-[0-9A-Za-z]{3,})+", line))
    dialog.find("button", "Close").click()
    first.gone("dialog")
    first.says("A one-time code is open for whoever has it as operator")
    assert code not in first.text

    second.open("#/person")
    second.find("button", "I have a one-time code").click()
    second.find("textbox", "One-time code").type(code)
    second.find("textbox", re.compile("^Your name here")).type("olga")
    second.find("textbox", "A new password").type(PASSWORD)
    second.find("textbox", "The same password again").type(PASSWORD)
    second.find("checkbox", "I have read this, and go by it.").click()
    second.find("button", "Join").click()
    second.says("olga is signed in")
    assert "Invite somebody" not in second.text

    # Her own password: the old one opens no more.
    second.find("button", "Change my password").click()
    dialog = second.find("dialog")
    dialog.find("textbox", "Your present password").type(PASSWORD)
    dialog.find("textbox", "A new password").type(OTHER)
    dialog.find("textbox", "The new one again").type(OTHER)
    dialog.find("button", "Show what it will do").click()
    dialog.find("button", "Change the password").click()
    second.says("Your password is changed")
    dialog.find("button", "Close").click()
    second.find("button", "Sign out").click()
    second.find("textbox", "Name").type("olga")
    second.find("textbox", "Password").type(PASSWORD)
    second.find("button", "Sign in").click()
    second.says("name and password do not belong together")
    second.find("textbox", "Password").type(OTHER)
    second.find("button", "Sign in").click()
    second.says("olga is signed in")

    first.open("#/person")
    own = first.find("button", "Remove olga")
    own.click()
    dialog = first.find("dialog")
    first.says("olga may not come in any more")
    dialog.find("button", "Remove").click()
    first.says("Done")
    assert _roles(site) == {"ada": "administrator"}
    second.open("#/person")
    second.says("nobody signed in")
    trail = eventually(lambda: audit_when(site, "people-remove"), "who removed her is in the audit trail")
    assert "ada@page" in trail
    for secret in (PASSWORD, OTHER, code):
        assert secret not in trail
        assert secret not in site.log()


def test_who_is_here_is_found_out_though_it_could_not_be_at_first(site: DemoSite, pages: Pages) -> None:
    """The page was loaded anew in the moment in which the gateway was: whoever is signed in is so still."""
    page = signed_in(pages(site.address), site, "nora", "operator")
    page.expecting("api/1/session")
    page.cdp("Network.enable")
    page.cdp("Network.setBlockedURLs", urls=["*/api/1/session"])
    page.open()
    page.says("nobody signed in")
    page.cdp("Network.setBlockedURLs", urls=[])
    page.says("nora, operator", within=15.0)
