"""A page as its user has it: found by role and accessible name as a screen reader finds things, read, clicked, typed.

Roles and names are those of the browser's own accessibility tree (WAI-ARIA 1.2, Accessible Name Computation 1.2).
"""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, TypeVar
from urllib.parse import urlsplit

from selenium.common.exceptions import StaleElementReferenceException, WebDriverException
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement

from tests.page.browser import Browser
from tests.page.site_process import eventually

__all__ = ["Complaints", "Look", "Node", "Page"]

Made = TypeVar("Made")
Name = str | re.Pattern[str] | None
_FOUND = "__found_by_test"


@dataclass(frozen=True)
class Look:
    """How a reader has their browser. Sizes in CSS pixels."""

    width: int = 1280
    height: int = 900
    dark: bool = False
    language: str = "en-GB"
    reduced_motion: bool = False
    time_zone: str | None = None

    @property
    def is_phone(self) -> bool:
        return self.width < 600


class Complaints(NamedTuple):
    """What must be empty at the end: of the console, of requests that failed, of requests to elsewhere."""

    console: list[str]
    failed: list[str]
    foreign: list[str]


class Node:
    """Something in the accessibility tree."""

    def __init__(self, page: "Page", raw: dict[str, Any]) -> None:
        self._page = page
        self._backend: int = raw["backendDOMNodeId"]
        self.role: str = raw["role"]["value"]
        self.name: str = raw.get("name", {}).get("value", "")
        self.description: str = raw.get("description", {}).get("value", "")
        self.value: str = str(raw.get("value", {}).get("value", ""))
        self.properties: dict[str, Any] = {
            each["name"]: each["value"].get("value") for each in raw.get("properties", ())
        }

    def __repr__(self) -> str:
        return f"{self.role} {self.name!r}"

    @property
    def element(self) -> WebElement:
        """For what WebDriver itself does."""
        page = self._page
        remote = page.cdp("DOM.resolveNode", backendNodeId=self._backend)["object"]["objectId"]
        page.cdp(
            "Runtime.callFunctionOn", objectId=remote, functionDeclaration=f"function() {{ window.{_FOUND} = this; }}"
        )
        found = page.script(f"const found = window.{_FOUND}; delete window.{_FOUND}; return found;")
        assert isinstance(found, WebElement), f"{self} is no element: {found}"
        return found

    @property
    def text(self) -> str:
        """As it is painted."""
        return str(self._page.script("return arguments[0].innerText ?? arguments[0].textContent;", self.element))

    def click(self) -> None:
        self.element.click()

    def type(self, text: str) -> None:
        """In place of what stands in it."""
        element = self.element
        element.send_keys(Keys.CONTROL, "a")
        element.send_keys(text)

    def find(self, role: str, name: Name = None) -> "Node":
        return self._page.find(role, name, within=self)

    def all(self, role: str, name: Name = None) -> "list[Node]":
        return self._page.all(role, name, within=self)

    @property
    def backend(self) -> int:
        return self._backend


class Page:
    """A tab, in a browser context that it may share with others."""

    def __init__(self, browser: Browser, context: str, address: str, look: Look) -> None:
        self.browser, self.context, self.address, self.look = browser, context, address, look
        self.handle = browser.new_window(context)
        self.expected: list[re.Pattern[str]] = []
        self._agent = str(self.script("return navigator.userAgent"))
        self.wear(look)

    # --- the browser around it ---

    def wear(self, look: Look) -> None:
        """Become another reader's: size, theme, language. Language counts from the next `open` on."""
        self.look = look
        size = {"width": look.width, "height": look.height, "deviceScaleFactor": 1, "mobile": look.is_phone}
        self.cdp("Emulation.setDeviceMetricsOverride", **size)
        self.cdp("Emulation.setTouchEmulationEnabled", enabled=look.is_phone)
        features = [
            {"name": "prefers-color-scheme", "value": "dark" if look.dark else "light"},
            {"name": "prefers-reduced-motion", "value": "reduce" if look.reduced_motion else "no-preference"},
        ]
        self.cdp("Emulation.setEmulatedMedia", features=features)
        self.cdp("Emulation.setLocaleOverride", locale=look.language)
        languages = f"{look.language},{look.language.partition('-')[0]}"
        self.cdp("Emulation.setUserAgentOverride", userAgent=self._agent, acceptLanguage=languages)
        self.cdp("Emulation.setTimezoneOverride", timezoneId=look.time_zone or "")

    def cdp(self, method: str, **parameters: object) -> Any:
        """A command of the Chrome DevTools Protocol to this tab."""
        self._in_front()
        return self.browser.driver.execute_cdp_cmd(method, parameters)

    def script(self, code: str, *arguments: object) -> Any:
        self._in_front()
        return self.browser.driver.execute_script(code, *arguments)

    def promise(self, code: str, *arguments: object) -> Any:
        """What an async function of this body gives."""
        self._in_front()
        whole = (
            "const tell = arguments[arguments.length - 1];"
            f"(async function () {{ {code} }}).apply(null, arguments)"
            ".then((made) => tell({made}), (error) => tell({error: String(error && error.stack || error)}));"
        )
        answer = self.browser.driver.execute_async_script(whole, *arguments)
        assert "error" not in answer, answer["error"]
        return answer.get("made")

    def at_start(self, code: str) -> None:
        """Runs in every document of this tab, before its own scripts."""
        self.cdp("Page.enable")
        self.cdp("Page.addScriptToEvaluateOnNewDocument", source=code)

    def open(self, place: str = "#/", *, at: str | None = None) -> None:
        """Load the page anew at a place of it, or at another address of the same site."""
        self._in_front()
        if at is not None:
            self.address = at
        # Only another document loads anew: from one fragment to the next a browser stays where it is.
        self.browser.driver.get("about:blank")
        self.browser.driver.get(f"{self.address}/{place}")

    def go(self, place: str) -> None:
        """To another place of the same document, as a link goes."""
        self.script("location.hash = arguments[0]", place)

    def another_tab(self) -> "Page":
        """Of the same reader, with what they have kept."""
        return Page(self.browser, self.context, self.address, self.look)

    def offline(self, is_offline: bool = True) -> None:
        """The machine has no network, and the browser knows. Streams that are open go on: cut those by a TcpProxy."""
        self.network(offline=is_offline)

    def network(self, *, offline: bool = False, latency_ms: float = 0, bytes_per_s: float = -1) -> None:
        self.cdp("Network.enable")
        throughput = {"downloadThroughput": bytes_per_s, "uploadThroughput": bytes_per_s}
        self.cdp("Network.emulateNetworkConditions", offline=offline, latency=latency_ms, **throughput)

    def freeze(self) -> None:
        """As a phone in a pocket: no timer runs, no event comes (Page Lifecycle)."""
        self.cdp("Emulation.setFocusEmulationEnabled", enabled=False)
        self.cdp("Page.setWebLifecycleState", state="frozen")

    def thaw(self) -> None:
        """Timers run, and it is looked at again."""
        self.cdp("Page.setWebLifecycleState", state="active")
        self.cdp("Emulation.setFocusEmulationEnabled", enabled=True)

    def picture(self) -> bytes:
        """PNG of what is seen."""
        self._in_front()
        return self.browser.driver.get_screenshot_as_png()

    # --- reading ---

    def all(self, role: str, name: Name = None, within: Node | None = None) -> list[Node]:
        """Everything of a role that is there now and not hidden from a screen reader, in the page's order."""
        root = self._root() if within is None else within.backend
        asked: dict[str, Any] = {"backendNodeId": root, "role": role}
        if isinstance(name, str):
            asked["accessibleName"] = name
        raw = self.cdp("Accessibility.queryAXTree", **asked)["nodes"]
        found = [Node(self, each) for each in raw if not each.get("ignored") and "backendDOMNodeId" in each]
        return [each for each in found if not isinstance(name, re.Pattern) or name.search(each.name)]

    def find(self, role: str, name: Name = None, within: Node | None = None) -> Node:
        """The only one; waits until it is there."""

        def only() -> list[Node]:
            found = self._steady(lambda: self.all(role, name, within)) or []
            return found if len(found) == 1 else []

        try:
            return eventually(only, "", 10.0)[0]
        except AssertionError:
            seen = self._steady(lambda: self.all(role, within=within))
            raise AssertionError(f"not one {role} called {name!r} in: {seen}; page: {self.text[:3000]}") from None

    def gone(self, role: str, name: Name = None) -> None:
        """Waits until there is none."""
        eventually(lambda: self._steady(lambda: not self.all(role, name)), f"no {role} {name!r} any more", 10.0)

    @property
    def text(self) -> str:
        """All that is painted."""
        return str(self.script("return document.body.innerText"))

    def says(self, wanted: "str | re.Pattern[str]", *, within: float = 10.0) -> str:
        """Waits until it stands there; the text that it stands in."""
        pattern = re.compile(re.escape(wanted)) if isinstance(wanted, str) else wanted
        try:
            return eventually(lambda: text if pattern.search(text := self.text) else "", "", within)
        except AssertionError:
            raise AssertionError(f"not {pattern.pattern!r} in: {self.text[:3000]}") from None

    def focused(self) -> tuple[str, str]:
        """(role, accessible name) of what has the focus."""
        self._in_front()
        active = self.browser.driver.switch_to.active_element
        return active.aria_role, active.accessible_name

    def press(self, *keys: str) -> None:
        """Keys on whatever has the focus, all of one call held together."""
        self._in_front()
        chain = ActionChains(self.browser.driver)
        for key in keys:
            chain.key_down(key)
        for key in reversed(keys):
            chain.key_up(key)
        chain.perform()

    # --- what must not be ---

    def expecting(self, *patterns: str) -> None:
        """A complaint that one of these matches is part of what the test does, such as a network that is cut."""
        self.expected += [re.compile(pattern) for pattern in patterns]

    def complaints(self, addresses: Iterable[str]) -> Complaints:
        """Of all tabs of the browser since it was asked last, but for what was expected."""
        console, network = self.browser.logs()
        origins = {urlsplit(each).netloc for each in addresses}
        texts = [f"{each['level']}: {each['message']}" for each in console if each["level"] in ("SEVERE", "WARNING")]
        failed, foreign = _judged(network, origins)
        return Complaints(*(self._unexpected(each) for each in (texts, failed, foreign)))

    def _unexpected(self, texts: Sequence[str]) -> list[str]:
        return [text for text in texts if not any(pattern.search(text) for pattern in self.expected)]

    def _in_front(self) -> None:
        driver = self.browser.driver
        if driver.current_window_handle != self.handle:
            driver.switch_to.window(self.handle)

    def _root(self) -> int:
        found: int = self.cdp("DOM.getDocument", depth=0)["root"]["backendNodeId"]
        return found

    def _steady(self, what: Callable[[], Made]) -> Made | None:
        """None where the page changed under the question."""
        try:
            return what()
        except (StaleElementReferenceException, WebDriverException) as error:
            if "node" not in str(error).lower():
                raise
            return None


def _judged(network: Iterable[dict[str, Any]], origins: set[str]) -> tuple[list[str], list[str]]:
    """(requests that failed, requests to elsewhere) in events of the protocol's Network domain."""
    failed: list[str] = []
    foreign: list[str] = []
    addresses: dict[str, str] = {}
    for event in network:
        about = event["params"]
        if event["method"] == "Network.requestWillBeSent":
            address = addresses[about["requestId"]] = about["request"]["url"]
            parts = urlsplit(address)
            if parts.scheme not in ("data", "blob", "about") and parts.netloc not in origins:
                foreign.append(address)
        elif event["method"] == "Network.responseReceived" and about["response"]["status"] >= 400:
            failed.append(f"{about['response']['status']} {about['response']['url']}")
        # What is not known here was asked for by a tab of another test, which is gone.
        elif (
            event["method"] == "Network.loadingFailed" and not about.get("canceled") and about["requestId"] in addresses
        ):
            failed.append(f"{about['errorText']} {addresses[about['requestId']]}")
    return failed, foreign
