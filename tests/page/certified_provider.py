"""A provider of OpenID Connect that is not ours, in a process of its own: npm's `oidc-provider`, certified for it."""

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import trustme

from tests.support.mosquitto import free_port

__all__ = ["CLIENT", "SECRET", "WORD", "CertifiedProvider", "certified_provider"]

CLIENT, SECRET = "tank-gateway", "of a test % and + more"
WORD = "known to the works alone"
_SCRIPT = Path(__file__).parents[1] / "node" / "provider.mjs"
MODULES = Path(sys.prefix) / "node" / "node_modules"
PEOPLE: dict[str, Any] = {
    "subject-1": {"name": "otto", "word": WORD, "groups": ["tank-shift", "football"]},
    "subject-2": {"name": "ines", "word": WORD, "groups": ["football"]},
    "subject-3": {"name": "rosa", "word": WORD, "groups": ["tank-chief"]},
}


class CertifiedProvider:
    def __init__(self, folder: Path, page: str) -> None:
        """`page`: the origin to which it sends people back. `signs_out` may be set before it is started anew."""
        self.signs_out = True
        self.ca = folder / "works-ca.pem"
        self.secret_file = folder / "works-secret"
        self._page, self._port = page, free_port()
        authority = trustme.CA()
        authority.cert_pem.write_to_path(self.ca)
        self._own = authority.issue_cert("127.0.0.1")
        self.secret_file.touch(0o600)
        self.secret_file.write_text(f"{SECRET}\n", "utf-8")
        self._process: subprocess.Popen[str] | None = None

    @property
    def issuer(self) -> str:
        return f"https://127.0.0.1:{self._port}"

    def key_of_site(self, **other: Any) -> dict[str, Any]:
        """What the site file says of it, as YAML has it."""
        roles = [{"value": "tank-chief", "role": "administrator"}, {"value": "tank-shift", "role": "operator"}]
        return {
            "name": "works",
            "issuer": self.issuer,
            "client": CLIENT,
            "secret_file": str(self.secret_file),
            "ca": str(self.ca),
            "page": self._page,
            "scopes": ["profile", "groups"],
            "role_claim": "groups",
            "roles": roles,
        } | other

    def start(self) -> None:
        node = shutil.which("node")
        assert node is not None, "node is not installed"
        self._process = subprocess.Popen(
            [node, str(_SCRIPT), str(MODULES)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        told = {
            "port": self._port,
            "key": self._own.private_key_pem.bytes().decode(),
            "certificate": "".join(blob.bytes().decode() for blob in self._own.cert_chain_pems),
            "client": CLIENT,
            "secret": SECRET,
            "page": self._page,
            "people": PEOPLE,
            "signs_out": self.signs_out,
        }
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(told) + "\n")
        self._process.stdin.flush()
        if "ready" not in self._process.stdout.readline():
            raise AssertionError(self._process.communicate(timeout=10)[1])

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None


@contextmanager
def certified_provider(folder: Path, page: str) -> Iterator[CertifiedProvider]:
    made = CertifiedProvider(folder, page)
    made.start()
    try:
        yield made
    finally:
        made.stop()
