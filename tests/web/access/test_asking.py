"""Who asks: by the connection, and by what a trusted proxy says of it, and nobody else."""

import ipaddress
from typing import Any

import pytest

from gateway.web.access.asking import Asking, asking

PROXY = ipaddress.ip_network("192.0.2.5")


def _scope(
    client: str, server: str = "192.0.2.1", scheme: str = "http", headers: dict[str, str] | None = None
) -> dict[str, Any]:
    raw = [(name.lower().encode(), value.encode()) for name, value in (headers or {}).items()]
    return {"type": "http", "client": (client, 1), "server": (server, 9109), "scheme": scheme, "headers": raw}


@pytest.mark.parametrize(
    ("client", "server", "is_local"),
    [
        ("127.0.0.1", "127.0.0.1", True),
        ("127.0.0.9", "127.0.0.1", True),
        ("::1", "::1", True),
        ("::ffff:127.0.0.1", "::ffff:127.0.0.1", True),
        ("192.0.2.7", "192.0.2.1", False),
        ("192.0.2.1", "192.0.2.1", False),
        ("127.0.0.1", "192.0.2.1", False),
        ("", "127.0.0.1", False),
        ("not an address", "127.0.0.1", False),
    ],
)
def test_what_comes_by_the_loopback_of_this_machine_is_local(client: str, server: str, is_local: bool) -> None:
    assert asking(_scope(client, server), None).is_local is is_local


@pytest.mark.parametrize("name", ["X-Forwarded-For", "X-Forwarded-Proto", "Forwarded", "Via", "X-Real-IP"])
def test_what_a_proxy_on_this_machine_passes_on_is_not_local(name: str) -> None:
    assert not asking(_scope("127.0.0.1", "127.0.0.1", headers={name: "192.0.2.7"}), None).is_local


def test_nobody_is_believed_who_is_not_the_proxy() -> None:
    told = {"X-Forwarded-For": "127.0.0.1", "X-Forwarded-Proto": "https"}
    for client in ("198.51.100.9", "127.0.0.1", "192.0.2.50"):
        assert asking(_scope(client, "127.0.0.1", headers=told), PROXY) == Asking(client, False, False)
        assert asking(_scope(client, "127.0.0.1", headers=told), None) == Asking(client, False, False)


@pytest.mark.parametrize(
    ("forwarded", "peer"),
    [
        ("198.51.100.9", "198.51.100.9"),
        ("127.0.0.1, 198.51.100.9", "198.51.100.9"),
        ("198.51.100.9, 192.0.2.5", "198.51.100.9"),
        ("2001:db8::1:2:3", "2001:db8::/64"),
        ("nonsense", ""),
        ("198.51.100.9, nonsense", ""),
        ("192.0.2.5", ""),
        ("", ""),
    ],
)
def test_behind_the_proxy_it_is_the_nearest_that_is_not_the_proxy(forwarded: str, peer: str) -> None:
    asked = asking(_scope("192.0.2.5", headers={"X-Forwarded-For": forwarded}), PROXY)
    assert asked == Asking(peer, False, False)


def test_a_proxy_on_this_machine_makes_nobody_local() -> None:
    loopback = ipaddress.ip_network("127.0.0.1")
    assert not asking(_scope("127.0.0.1", "127.0.0.1"), loopback).is_local


@pytest.mark.parametrize(
    ("scheme", "told", "is_secure"),
    [("http", "https", True), ("http", "http", False), ("http", "https, http", False), ("https", "http", True)],
)
def test_the_word_of_the_proxy_on_tls_is_its_last(scheme: str, told: str, is_secure: bool) -> None:
    scope = _scope("192.0.2.5", scheme=scheme, headers={"X-Forwarded-Proto": told})
    assert asking(scope, PROXY).is_secure is is_secure
