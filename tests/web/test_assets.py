"""The files of the page: exactly what lies in the folder, packed once, and never anything else of the machine."""

import asyncio
import gzip
import os
import re
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest

from gateway.web.assets import Asset, Assets, read_assets
from tests.support.live_view import Said, serving

PAGE = Path(__file__).resolve().parents[2] / "gateway" / "web" / "page"
_FIRST_LOAD_BYTES = 90_000
_INDEX = "<!doctype html><title>page</title>\n" + "<!-- much the same -->\n" * 40
_SECRET = "nobody may see this"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A page, and beside it what is none of anybody's business."""
    page = tmp_path / "page"
    (page / "code").mkdir(parents=True)
    (page / "index.html").write_text(_INDEX)
    (page / "code" / "main.js").write_text("export const one = 1;\n" * 40)
    (page / "code" / "other.mjs").write_text("export {};\n")
    (page / "tokens.css").write_text("a { color: red }\n")
    (page / "icon.svg").write_text("<svg/>")
    (page / "manifest.webmanifest").write_text("{}")
    (page / "LICENSE").write_text("as it is\n")
    (page / "dot.png").write_bytes(b"\x89PNG" + b"\0" * 500)
    (page / ".hidden").write_text(_SECRET)
    (tmp_path / "secret.txt").write_text(_SECRET)
    (page / "link.txt").symlink_to(tmp_path / "secret.txt")
    (page / "way").symlink_to(tmp_path)
    return page


@asynccontextmanager
async def _client(folder: Path) -> AsyncIterator[httpx.AsyncClient]:
    async with (
        serving(Said(), Assets(folder)) as port,
        httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=30.0) as client,
    ):
        yield client


async def test_the_page_is_at_the_root_and_its_files_below(folder: Path) -> None:
    async with _client(folder) as client:
        root, index = await client.get("/"), await client.get("/page/index.html")
        assert root.status_code == index.status_code == 200
        assert root.text == index.text == _INDEX
        types = {
            "/": "text/html; charset=utf-8",
            "/page/code/main.js": "text/javascript; charset=utf-8",
            "/page/code/other.mjs": "text/javascript; charset=utf-8",
            "/page/tokens.css": "text/css; charset=utf-8",
            "/page/icon.svg": "image/svg+xml",
            "/favicon.ico": "image/svg+xml",
            "/page/manifest.webmanifest": "application/manifest+json",
            "/page/LICENSE": "text/plain; charset=utf-8",
            "/page/dot.png": "image/png",
        }
        for path, media_type in types.items():
            answer = await client.get(path)
            assert (answer.status_code, answer.headers["content-type"]) == (200, media_type), path
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["cache-control"] == "no-cache"
            assert "default-src 'none'" in answer.headers["content-security-policy"]
            assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
            # Only what a browser shows by itself is allowed anything.
            may = "script-src 'self'" in answer.headers["content-security-policy"]
            assert may == (not path.endswith(("js", "css")))


async def test_it_is_packed_for_those_who_take_gzip(folder: Path) -> None:
    async with _client(folder) as client:
        packed = await client.get("/page/code/main.js")
        plain = await client.get("/page/code/main.js", headers={"Accept-Encoding": "identity"})
        assert packed.headers["content-encoding"] == "gzip"
        assert "content-encoding" not in plain.headers
        assert packed.content == plain.content == (folder / "code" / "main.js").read_bytes()
        assert int(packed.headers["content-length"]) < int(plain.headers["content-length"])
        assert packed.headers["etag"] != plain.headers["etag"], "another form is another representation"
        assert packed.headers["vary"] == plain.headers["vary"] == "Accept-Encoding"
        # A picture is packed already, and a few bytes become more.
        for path in ("/page/dot.png", "/page/icon.svg"):
            assert "content-encoding" not in (await client.get(path)).headers


async def test_what_is_known_already_is_not_sent_again(folder: Path) -> None:
    async with _client(folder) as client:
        etag = (await client.get("/")).headers["etag"]
        assert re.fullmatch(r'"[0-9a-f]{32}-gz"', etag), "strong"
        for known in (etag, f'"other", {etag}', f"W/{etag}", "*"):
            answer = await client.get("/", headers={"If-None-Match": known})
            assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", etag)
        for other in ('"other"', etag.strip('"'), etag.replace("-gz", "")):
            assert (await client.get("/", headers={"If-None-Match": other})).status_code == 200


async def test_another_content_has_another_tag(folder: Path) -> None:
    async with _client(folder) as client:
        before = (await client.get("/")).headers["etag"]
    (folder / "index.html").write_text(_INDEX + " ")
    async with _client(folder) as client:
        after = await client.get("/", headers={"If-None-Match": before})
    assert (after.status_code, after.headers["etag"] == before) == (200, False)


@pytest.mark.parametrize(
    "path",
    [
        "/page/",
        "/page/code",
        "/page/code/",
        "/page/absent.js",
        "/page/.hidden",
        "/page/link.txt",
        "/page/way/secret.txt",
        "/page/../secret.txt",
        "/page/%2e%2e/secret.txt",
        "/page/%2e%2e%2fsecret.txt",
        "/page/..%2fsecret.txt",
        "/page/%252e%252e/secret.txt",
        "/page/..%5csecret.txt",
        "/page/code/../../secret.txt",
        "/page//etc/passwd",
        "/page/%2fetc%2fpasswd",
        "/page/code//main.js",
        "/page/./code/main.js",
        "/page/code/main.js/",
        "/page/code/main.js%00",
        "/page/%00",
        "/page/index.html%00.js",
        "/page/INDEX.HTML",
        "/page/%c0%ae%c0%ae/secret.txt",
        "/page/code/main.js;x",
        "//page/index.html",
        "/secret.txt",
    ],
)
async def test_nothing_else_is_served(folder: Path, path: str) -> None:
    """The path goes over the wire as it stands: a library would make it neat before."""
    async with serving(Said(), Assets(folder)) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n".encode())
        async with asyncio.timeout(30.0):
            answer = await reader.read()
        writer.close()
    assert answer.startswith(b"HTTP/1.1 404 "), path
    assert _SECRET.encode() not in answer


async def test_head_and_what_cannot_be_written(folder: Path) -> None:
    async with _client(folder) as client:
        for path in ("/", "/page/code/main.js"):
            got, head = await client.get(path), await client.head(path)
            assert (head.status_code, head.content) == (200, b"")
            for name in ("content-length", "etag", "content-type", "content-encoding"):
                assert head.headers[name] == got.headers[name]
            assert (await client.post(path)).status_code == 405


async def test_whoever_asks_for_what_is_not_there_is_told_where_the_page_is(folder: Path) -> None:
    async with _client(folder) as client:
        answer = await client.get("/tanks")
    assert answer.status_code == 404
    assert "Its page for people is at /\n" in answer.text


# The page itself


def test_all_of_the_page_is_served_and_nothing_of_it_is_a_link() -> None:
    here = {str(path.relative_to(PAGE)) for path in PAGE.rglob("*") if path.is_file()}
    assert set(read_assets(PAGE)) == here
    assert "index.html" in here


def test_what_is_vendored_comes_with_its_licence() -> None:
    licences = (PAGE / "vendor" / "LICENSES.txt").read_text("utf-8")
    head, _, texts = licences.partition("\n\n")
    for module in (PAGE / "vendor").iterdir():
        if module.name != "LICENSES.txt":
            assert re.search(rf"\b{re.escape(module.name)}\b", head), f"nothing is said of {module.name}"
    for library in ("htm", "preact", "uPlot"):
        assert f"=== {library} ===" in texts


def test_the_first_load_is_small() -> None:
    """All that the page loads until its first view is drawn, and the longest language, as it goes over the wire.

    What the gateway itself says in another language comes after that, and its English stands until then (words.js).
    """
    files = read_assets(PAGE)
    first_view = re.search(r"\boverview: .*import\(\"\./(\w+\.js)\"", (PAGE / "code/views/index.js").read_text("utf-8"))
    assert first_view is not None
    loaded = _closure(files, ["index.html", f"code/views/{first_view[1]}"])
    sizes = {name: len(files[name].packed or files[name].content) for name in loaded}
    languages = [
        len(asset.packed or b"") for name, asset in files.items() if re.fullmatch(r"languages/[a-z]+\.json", name)
    ]
    assert len(languages) == 2
    assert {"code/main.js", "vendor/htm-preact.mjs", "style/tokens.css", "code/parts/ruler.js"} <= loaded
    assert sum(sizes.values()) + max(languages) < _FIRST_LOAD_BYTES, sizes


def _closure(files: Mapping[str, Asset], names: list[str]) -> set[str]:
    """These files, and those that they name: links and scripts of a page, static imports of a module."""
    found: set[str] = set()
    while names:
        name = names.pop()
        if name in found:
            continue
        found.add(name)
        text = files[name].content.decode("utf-8")
        if name.endswith(".html"):
            names += re.findall(r'(?:src|href)="/page/([^"]+)"', text)
        elif name.endswith((".js", ".mjs")):
            folder = Path(name).parent
            named = re.findall(r"""(?:from|import)\s*["'](\.[^"']+)["']""", text)
            names += [os.path.normpath(folder / each) for each in named]
    return found


def test_the_packed_form_is_the_file() -> None:
    for name, asset in read_assets(PAGE).items():
        assert asset.content == (PAGE / name).read_bytes()
        if asset.packed is not None:
            assert gzip.decompress(asset.packed) == asset.content
