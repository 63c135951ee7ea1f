"""What a test of the page gets: a running site, and browsers on it whose complaints must be none at the end."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.page.browser import Browser
from tests.page.reading import Look, Page
from tests.page.site_process import DemoSite
from tests.page.static_server import served

__all__ = ["Opened", "Pages"]

Opened = Callable[..., Page]
_LONGEST_S = 240
"""A test here walks a whole errand, in processes that share the machine with other tests."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.path.parent == Path(__file__).parent and item.get_closest_marker("timeout") is None:
            item.add_marker(pytest.mark.timeout(_LONGEST_S))


class Pages:
    """Makes pages for one test, each with a browser context of its own, and judges them all at the end."""

    def __init__(self, browser: Browser) -> None:
        self._browser = browser
        self._made: list[Page] = []
        self.addresses: set[str] = set()

    def __call__(self, address: str, look: Look | None = None) -> Page:
        page = Page(self._browser, self._browser.new_context(), address, look or Look())
        self._made.append(page)
        self.addresses.add(address)
        return page

    def close(self) -> None:
        if not self._made:
            return
        first = self._made[0]
        first.expecting(*(pattern.pattern for page in self._made for pattern in page.expected))
        complaints = first.complaints(self.addresses | {page.address for page in self._made})
        for page in self._made:
            self._browser.close_context(page.context)
        assert not any(complaints), complaints


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Started once in a worker: it takes a second."""
    with Browser() as running:
        yield running


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DemoSite]:
    """The demo, started once in a worker, for tests that leave it as it was."""
    with DemoSite(tmp_path_factory.mktemp("site")) as running:
        yield running


@pytest.fixture
def own_site(tmp_path: Path) -> Iterator[DemoSite]:
    """The demo for a test that stops it, breaks it or changes what it holds."""
    with DemoSite(tmp_path / "site") as running:
        yield running


@pytest.fixture
def pages(browser: Browser) -> Iterator[Pages]:
    """Call it with an address and a `Look`: a page there that nobody has used before."""
    browser.logs()
    made = Pages(browser)
    yield made
    made.close()


@pytest.fixture
def page(pages: Pages, site: DemoSite) -> Page:
    """An ordinary screen on the demo: 1280 pixels, light, English."""
    return pages(site.address)


@pytest.fixture(scope="session")
def files() -> Iterator[str]:
    """Where the page's files are to be had without a gateway."""
    with served() as address:
        yield address


@pytest.fixture
def modules(pages: Pages, files: str) -> Page:
    """An empty document of the page's origin, in which its modules can be had: `await import("/page/code/…")`."""
    page = pages(files)
    page.open("")
    return page
