"""Sign-in by a provider of OpenID Connect that is not ours, as somebody in the control room does it."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from tests.page.acting import done, joins
from tests.page.axe import serious_findings
from tests.page.certified_provider import WORD, CertifiedProvider
from tests.page.conftest import Pages
from tests.page.reading import Look, Page
from tests.page.signing_in import PASSWORD, audit_when
from tests.page.site_process import DemoSite, eventually


class Works(NamedTuple):
    site: DemoSite
    provider: CertifiedProvider


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    """A site that shows nothing to strangers, and its provider, which runs."""
    made: list[CertifiedProvider] = []

    def change(site: dict[str, Any]) -> None:
        provider = CertifiedProvider(tmp_path, f"http://{site['web']['address']}")
        made.append(provider)
        site["web"] |= {"view_without_sign_in": "no", "sign_in_by": provider.key_of_site()}

    with DemoSite(tmp_path / "site", change=change) as site:
        [provider] = made
        provider.start()
        try:
            yield Works(site, provider)
        finally:
            provider.stop()


def _page(works: Works, pages: Pages, look: Look | None = None) -> Page:
    page = pages(works.site.address, look)
    # Of an authority of the test, which no browser knows.
    page.cdp("Security.setIgnoreCertificateErrors", ignore=True)
    pages.addresses.add(works.provider.issuer)
    page.expecting("40[139]")
    return page


def _enter(page: Page, name: str, word: str = WORD) -> None:
    """On the provider's own page."""
    page.says("Sign-in of the works")
    page.find("textbox", "User").type(name)
    page.find("textbox", "Secret word").type(word)
    page.find("button", "Enter").click()


def test_a_shift_of_somebody_who_comes_by_the_provider(works: Works, pages: Pages) -> None:
    page = _page(works, pages)
    page.open("#/alarms")
    page.says("nobody signed in")
    page.go("#/person")
    page.says("Where it is away, name and password do.")
    assert serious_findings(page) == []
    page.find("button", "Sign in by works").click()
    _enter(page, "otto", "a guess")
    page.says("This is not right.")
    _enter(page, "otto")
    page.says("otto@works is signed in")
    page.says("What you do stands in the audit trail as done by otto@works.")
    # What the provider gave is used up, and stands neither in the address nor a step back.
    assert page.script("return location.href") == f"{works.site.address}/#/person"
    assert "Change my password" not in page.text
    assert "People" not in page.text
    # He acts, and it is written down as his. In the middle of it he has to sign in anew, and finds what he had typed.
    page.go("#/enter/BO-5")
    page.says("otto@works, operator")
    page.find("button", re.compile("^Enter a dip")).click()
    dialog = page.find("dialog")
    dialog.find("textbox", re.compile("^Level")).type("4.250")
    works.site.run("people", "end-sessions", "otto@works")
    dialog.find("button", "Show what it will do").click()
    page.find("button", "Sign in by works").click()
    _enter(page, "otto")
    page.says("otto@works, operator")
    assert page.script("return location.hash") == "#/enter/BO-5"
    page.find("button", re.compile("^Enter a dip")).click()
    assert page.find("dialog").find("textbox", re.compile("^Level")).value == "4.250"
    done(page, "Enter the dip")
    page.says("Entered by otto@works")
    trail = eventually(lambda: audit_when(works.site, "dip"), "the dip is in the audit trail")
    assert "otto@works" in trail

    # On a screen that others use he signs out; the next one is asked for a password, though the provider knew otto.
    page.go("#/person")
    page.find("button", "Sign out").click()
    # The session at the provider ends too, which asks about it, and from there he comes back.
    page.says("Leave the works?")
    page.find("button", "Yes, sign me out").click()
    page.find("link", "Sign in to see this site.").click()
    assert "otto" not in page.text
    assert "still signed in" not in page.text
    page.find("button", "Sign in by works").click()
    _enter(page, "ines")
    page.says("this site has no role for you")
    assert "is signed in" not in page.text
    page.find("button", "Sign in by works").click()
    _enter(page, "rosa")
    page.says("rosa@works is signed in")
    page.says("Came by the provider")
    page.find("button", "Forget otto@works")

    # Where a provider knows no such way she is told, and is out here.
    works.provider.stop()
    works.provider.signs_out = False
    works.provider.start()
    page.find("button", "Sign out").click()
    page.says("You are signed out here, and still signed in at works")
    assert serious_findings(page) == []


def test_without_the_provider_people_sign_in_by_their_passwords(works: Works, pages: Pages) -> None:
    works.provider.stop()
    page = _page(works, pages, Look(360, 740, language="de-DE"))
    page.expecting("503")
    page.open("#/person")
    page.find("button", "Anmelden über works").click()
    page.says("inzwischen mit Name und Passwort anmelden")
    assert serious_findings(page) == []
    joins(works.site, "ada", "operator")
    page.find("textbox", "Name").type("ada")
    page.find("textbox", "Passwort").type(PASSWORD)
    page.find("button", "Anmelden").click()
    page.says("ada ist angemeldet")
    page.says("unter ada@page")


def test_what_somebody_is_sent_here_with_opens_nothing_and_leads_nowhere(works: Works, pages: Pages) -> None:
    page = _page(works, pages)
    page.open("?code=stolen&state=made-up&iss=https://evil.example#//evil.example")
    page.says("no sign-in has begun in this browser within the last minutes")
    assert page.script("return location.href") == f"{works.site.address}/#/person"
    page.script("sessionStorage.setItem('tank-gateway place', '\"https://evil.example/\"')")
    page.open("?error=access_denied&state=x")
    page.says("no sign-in has begun in this browser within the last minutes")
    assert page.script("return location.origin") == works.site.address
