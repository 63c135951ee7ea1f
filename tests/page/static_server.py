"""The files of the page without a gateway, for tests of modules: `/page/…`, and an empty document at `/`."""

import http.server
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

__all__ = ["WEB", "served"]

WEB = Path(__file__).parents[2] / "gateway" / "web"
_EMPTY = b"<!doctype html><html lang=en><title>modules</title><link rel=icon href='data:,'><main></main></html>"


class _Files(http.server.SimpleHTTPRequestHandler):
    extensions_map = {  # noqa: RUF012
        **http.server.SimpleHTTPRequestHandler.extensions_map,
        ".mjs": "text/javascript",
    }

    def do_GET(self) -> None:
        if self.path.startswith("/page/"):
            super().do_GET()
            return
        self.send_response(200)
        self.send_header("Content-Type", "text/html; charset=utf-8")
        self.send_header("Content-Length", str(len(_EMPTY)))
        self.end_headers()
        self.wfile.write(_EMPTY)

    def log_message(self, *_: object) -> None:
        """Nobody reads it."""


@contextmanager
def served(folder: Path = WEB) -> Iterator[str]:
    """Its address. `folder`: where `page` lies."""
    handler = partial(_Files, directory=str(folder))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        serving = threading.Thread(target=server.serve_forever)
        serving.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}"
        finally:
            server.shutdown()
            serving.join()
