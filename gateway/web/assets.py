"""The files of the page: read and packed once, and asked again each time, so that nobody sees an old one.

Only what was found under the folder at the start is served, by its exact name: no path of a request ever becomes a path
of the file system.
"""

import gzip
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from gateway.web.access.policy import CONTENT_POLICY, PART_POLICY, PART_TYPES
from gateway.web.encodings import takes_gzip

__all__ = ["Asset", "Assets", "read_assets"]

_INDEX = "index.html"
_ICON = "icon.svg"
_TYPES: Mapping[str, str] = {
    ".css": "text/css; charset=utf-8",
    ".html": "text/html; charset=utf-8",
    ".ico": "image/x-icon",
    ".js": "text/javascript; charset=utf-8",
    ".json": "application/json",
    ".mjs": "text/javascript; charset=utf-8",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".txt": "text/plain; charset=utf-8",
    ".webmanifest": "application/manifest+json",
    ".woff2": "font/woff2",
}
"""By the end of a name; other files, such as a licence without one, are text."""
_PACKED_ALREADY = (".ico", ".png", ".woff2")
_HEADERS = {
    # Kept, but asked for each time: an answer of 304 costs next to nothing, and a page of yesterday much.
    "Cache-Control": "no-cache",
    "Referrer-Policy": "no-referrer",
    "Vary": "Accept-Encoding",
    "X-Content-Type-Options": "nosniff",
}
_NOT_FOUND = b"the page has no such file\n"


class Asset(NamedTuple):
    """One file."""

    content: bytes
    packed: bytes | None
    """By gzip; None where that does not make it smaller."""
    etag: str
    """Strong, of the contents; that of the packed form ends otherwise (RFC 9110, section 8.8.3)."""
    media_type: str


def read_assets(folder: Path) -> dict[str, Asset]:
    """By path below `folder`, with slashes. Links are left out, whatever they lead to, and so are hidden files.

    Raises OSError where the folder cannot be read.
    """
    found = {}
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        linked = any((folder / Path(*parts[: count + 1])).is_symlink() for count in range(len(parts)))
        if linked or not path.is_file() or any(part.startswith((".", "__pycache__")) for part in parts):
            continue
        found["/".join(parts)] = _asset(path.suffix, path.read_bytes())
    return found


def _asset(suffix: str, content: bytes) -> Asset:
    packed = None if suffix in _PACKED_ALREADY else gzip.compress(content, 9, mtime=0)
    if packed is not None and len(packed) >= len(content):
        packed = None
    digest = hashlib.sha256(content).hexdigest()[:32]
    return Asset(content, packed, digest, _TYPES.get(suffix, "text/plain; charset=utf-8"))


class Assets:
    """`/` and `/page/…`. Made once, for any number of servers."""

    def __init__(self, folder: Path) -> None:
        """Raises OSError where the folder cannot be read."""
        self.files = read_assets(folder)

    @property
    def routes(self) -> Sequence[BaseRoute]:
        return [
            Route("/", self._index),
            Route("/favicon.ico", self._icon),
            Route("/page/{path:path}", self._file),
        ]

    def end(self) -> None:
        """Nothing here goes on."""

    async def _index(self, request: Request) -> Response:
        return self._answer(request, _INDEX)

    async def _icon(self, request: Request) -> Response:
        """Browsers ask there whatever a page says, and go by the type."""
        return self._answer(request, _ICON)

    async def _file(self, request: Request) -> Response:
        return self._answer(request, request.path_params["path"])

    def _answer(self, request: Request, name: str) -> Response:
        asset = self.files.get(name)
        if asset is None:
            return Response(_NOT_FOUND, 404, {"X-Content-Type-Options": "nosniff"}, "text/plain; charset=utf-8")
        is_packed = asset.packed is not None and takes_gzip(request.headers.get("accept-encoding", ""))
        etag = f'"{asset.etag}-gz"' if is_packed else f'"{asset.etag}"'
        policy = PART_POLICY if asset.media_type.startswith(PART_TYPES) else CONTENT_POLICY
        headers = {**_HEADERS, "Content-Security-Policy": policy, "ETag": etag}
        if _is_known(request.headers.get("if-none-match", ""), etag):
            return Response(status_code=304, headers=headers)
        content = asset.packed if is_packed and asset.packed is not None else asset.content
        if is_packed:
            headers["Content-Encoding"] = "gzip"
        return Response(content, headers=headers, media_type=asset.media_type)


def _is_known(asked: str, etag: str) -> bool:
    """By the header If-None-Match (RFC 9110, section 13.1.2), which compares weakly."""
    return asked.strip() == "*" or etag in [each.strip().removeprefix("W/") for each in asked.split(",")]
