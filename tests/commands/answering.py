"""A small HTTP server that answers as a gateway does, or does not."""

import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

__all__ = ["answering", "answering_all"]


@contextmanager
def answering(path: str, body: bytes, status: int = 200) -> Iterator[str]:
    """It has one document, at `path`; gives its address."""
    with answering_all({path: body}, status) as address:
        yield address


@contextmanager
def answering_all(documents: Mapping[str, bytes], status: int = 200) -> Iterator[str]:
    """By path; gives its address."""

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            body = documents.get(self.path, b"")
            self.send_response(status if self.path in documents else 404)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Answer) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield f"127.0.0.1:{server.server_port}"
        finally:
            server.shutdown()
            thread.join()
