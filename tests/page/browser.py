"""One Chromium, kept alive for all tests of a worker; each test gets a browser context of its own, thrown away.

Selenium drives it. What WebDriver has no word for goes by the Chrome DevTools Protocol: contexts, the network, the
accessibility tree, freezing a tab.
"""

import itertools
import json
import shutil
import urllib.request
from types import TracebackType
from typing import Any, Self

from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.remote.command import Command
from selenium.webdriver.remote.remote_connection import RemoteConnection
from websocket import WebSocket, create_connection

__all__ = ["Browser"]

_ARGUMENTS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--no-first-run",
    "--hide-scrollbars",
    # Nothing but the page may ask for anything.
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-domain-reliability",
    "--disable-extensions",
    "--disable-sync",
    "--no-pings",
    # A tab that is not in front counts as one in front, unless a test says otherwise.
    "--disable-backgrounding-occluded-windows",
    "--disable-renderer-backgrounding",
    "--disable-background-timer-throttling",
)
_ANSWER_S = 20.0


class Browser:
    """Chromium and chromedriver of the system. Raises RuntimeError where they are missing."""

    def __init__(self, *, logs: bool = True) -> None:
        """`logs`: requests and console are kept, for tests; a measurement of long life keeps none."""
        options = webdriver.ChromeOptions()
        for argument in _ARGUMENTS:
            options.add_argument(argument)
        options.binary_location = _program("chromium")
        if logs:
            options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        self.driver = webdriver.Chrome(
            options=options, service=Service(_program("chromedriver", "chromium.chromedriver"))
        )
        self.driver.set_script_timeout(_ANSWER_S)
        self.driver.set_page_load_timeout(_ANSWER_S)
        self._numbers = itertools.count(1)
        self._own_window = self.driver.current_window_handle
        address = self.driver.capabilities["goog:chromeOptions"]["debuggerAddress"]
        with urllib.request.urlopen(f"http://{address}/json/version", timeout=_ANSWER_S) as answer:
            path = json.load(answer)["webSocketDebuggerUrl"]
        # Contexts live as long as the connection that made them.
        self._wire: WebSocket = create_connection(path, suppress_origin=True, timeout=_ANSWER_S)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._wire.close()
        self.driver.quit()
        # Else its sockets are closed by the garbage collector, with a warning.
        connection = self.driver.command_executor
        if isinstance(connection, RemoteConnection):
            connection.close()  # type: ignore[no-untyped-call]

    def new_context(self) -> str:
        """As a browser is that was never used: no cookie, no store, no cache."""
        made: str = self._ask("Target.createBrowserContext")["browserContextId"]
        return made

    def new_window(self, context: str) -> str:
        """The handle of an empty tab."""
        made: str = self._ask("Target.createTarget", url="about:blank", browserContextId=context)["targetId"]
        return made

    def close_context(self, context: str) -> None:
        """With all its tabs and all it kept."""
        self.driver.switch_to.window(self._own_window)
        self._ask("Target.disposeBrowserContext", browserContextId=context)

    def logs(self) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
        """(what stood in consoles, what went over the network) since it was asked last, in all tabs."""
        network = [json.loads(entry["message"])["message"] for entry in self._log("performance")]
        return self._log("browser"), network

    def _log(self, kind: str) -> list[dict[str, Any]]:
        told: list[dict[str, Any]] = self.driver.execute(Command.GET_LOG, {"type": kind})["value"]
        return told

    def _ask(self, method: str, **parameters: object) -> dict[str, Any]:
        number = next(self._numbers)
        self._wire.send(json.dumps({"id": number, "method": method, "params": parameters}))
        while True:
            answer = json.loads(self._wire.recv())
            if answer.get("id") == number:
                assert "error" not in answer, f"{method}: {answer}"
                result: dict[str, Any] = answer["result"]
                return result


def _program(*names: str) -> str:
    """Where a program is, by the first of its names that is there."""
    path = next((found for name in names if (found := shutil.which(name)) is not None), None)
    if path is None:
        raise RuntimeError(f"there is no {names[0]}: run .ci/system-packages")
    return path
