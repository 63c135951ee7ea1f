"""What a running gateway says over HTTP, by its web address."""

import argparse
import http.client
import ipaddress
import ssl
import urllib.error
import urllib.request
from typing import Any, Protocol

import orjson

from gateway.errors import GatewayError, UsageError
from gateway.process.running import found_gateways, read_pass, running_gateways

__all__ = [
    "DEFAULT_ADDRESS",
    "NoGatewayError",
    "add_address",
    "fetch",
    "fetch_json",
    "host_and_port",
    "running_address",
    "web_address",
]

DEFAULT_ADDRESS = "127.0.0.1:9109"
_NOT_SIGNED_IN = 401
_NO_SUCH_PAGE = 404
_OVER_TLS = "https://"
_LONGEST_ANSWER = 64 * 1024 * 1024


class NoGatewayError(GatewayError):
    """No gateway answered, or what answered is none. Retrying helps once one runs there."""

    def __init__(self, address: str, what: str, *, surely: bool = False) -> None:
        self.address = address
        self.surely = surely
        """Nothing listens there, or something else does. Otherwise a gateway may be there that did not answer."""
        self.hint = "start one with `tank-gateway run SITE`, or say where it is with --address HOST:PORT"
        super().__init__(f"no gateway at {address}: {what}")


def running_address(given: str | None) -> str:
    """Where the gateway answers: as given, or that of the one that runs on this machine, else the usual address.

    Raises UsageError where several run here.
    """
    if given is not None:
        return given
    found = [running for running in running_gateways() if running.web is not None]
    if len(found) > 1:
        listed = ", ".join(f"{running.site} at {running.web}" for running in found)
        raise UsageError("several gateways run on this machine", f"say which with --address: {listed}")
    return DEFAULT_ADDRESS if not found or found[0].web is None else found[0].web


def host_and_port(text: str) -> tuple[str, int] | None:
    """`host:port` or `[v6]:port`; None for anything else."""
    host, _, port = text.rpartition(":")
    bare = host.removeprefix("[").removesuffix("]")
    if not bare or not port.isdecimal() or not port.isascii() or len(port) > 5 or int(port) > 65535:
        return None
    return None if ":" in bare and not host.startswith("[") else (bare, int(port))


class _TakesOptions(Protocol):
    """A parser, or a group of one."""

    def add_argument(self, *names: str, **how: Any) -> argparse.Action: ...


def add_address(where: _TakesOptions) -> None:
    """`--address`, of a command that shows what a running gateway says."""
    where.add_argument(
        "--address",
        metavar="HOST:PORT",
        type=web_address,
        help=f"web address of the gateway; default that of the one running here, else {DEFAULT_ADDRESS}",
    )


def web_address(text: str) -> str:
    """What was typed for --address or --gateway, for argparse: HOST:PORT, as the web address of a gateway is told."""
    plain = text.removeprefix("http://").removesuffix("/")
    if host_and_port(plain.removeprefix(_OVER_TLS)) is None:
        raise argparse.ArgumentTypeError(f"'{text}' is no HOST:PORT; write for example {DEFAULT_ADDRESS}")
    return plain


def fetch(address: str, path: str, timeout_s: float) -> bytes:
    """The body of GET `path`; `address` may be as it is copied out of a browser. Raises NoGatewayError."""
    address, headers = _as_it_says(address.removeprefix("http://").rstrip("/"))
    where = address if address.startswith(_OVER_TLS) else f"http://{address}"
    host, _ = host_and_port(address.removeprefix(_OVER_TLS)) or ("", 0)
    # No proxy: the gateway is on this machine or this network.
    handlers: list[urllib.request.BaseHandler] = [urllib.request.ProxyHandler({})]
    if _is_loopback(host):
        # Its certificate is made out to the names that others use; on loopback nobody is in between.
        handlers.append(urllib.request.HTTPSHandler(context=_unverified()))
    request = urllib.request.Request(f"{where}{path}", headers=headers)
    try:
        with urllib.request.build_opener(*handlers).open(request, timeout=timeout_s) as answer:
            body: bytes = answer.read(_LONGEST_ANSWER)
    except urllib.error.HTTPError as error:
        error.close()
        if error.code == _NOT_SIGNED_IN:
            closed = NoGatewayError(address, "it lets nobody look who has not signed in")
            closed.hint = "act as root, as the gateway's own user or as a member of its group, on its machine"
            raise closed from error
        raise NoGatewayError(
            address, f"it answers with HTTP status {error.code}", surely=error.code == _NO_SUCH_PAGE
        ) from error
    except urllib.error.URLError as error:
        refused = isinstance(error.reason, ConnectionRefusedError)
        raise NoGatewayError(address, _cause(error.reason, timeout_s), surely=refused) from error
    except (OSError, http.client.HTTPException) as error:
        raise NoGatewayError(address, _cause(error, timeout_s)) from error
    return body


def fetch_json(address: str, path: str, schema: str, timeout_s: float) -> dict[str, Any]:
    """The document of that schema at `path`. Raises NoGatewayError."""
    try:
        document = orjson.loads(fetch(address, path, timeout_s))
    except ValueError as error:
        raise NoGatewayError(address, "what answers there speaks no JSON", surely=True) from error
    if not isinstance(document, dict) or document.get("schema") != schema:
        raise NoGatewayError(address, f"what answers there does not send {schema}", surely=True)
    return document


def _as_it_says(address: str) -> tuple[str, dict[str, str]]:
    """The address as a gateway that runs here has it, which knows of TLS, and what it has left for those who may act
    on it: that goes to its own address and nowhere else."""
    for found in found_gateways():
        if found.running.web in (address, f"{_OVER_TLS}{address}"):
            secret = read_pass(found)
            return found.running.web, {} if secret is None else {"Authorization": f"Bearer {secret}"}
    return address, {}


def _is_loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _unverified() -> ssl.SSLContext:
    context = ssl.create_default_context()
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context


def _cause(error: object, timeout_s: float) -> str:
    if isinstance(error, TimeoutError):
        return f"no answer within {timeout_s:g} s"
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    return str(error) or type(error).__name__
