"""Names of strangers are refused (DNS rebinding); addresses and names of ours are not."""

import asyncio

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from gateway.web.hosts import KnownHostsOnly, host_name

NAMES = ("tanks.example", "Gateway-North")


async def answer(_: Request) -> Response:
    return PlainTextResponse("the tanks")


def asked(host: str) -> httpx.Response:
    application = KnownHostsOnly(Starlette(routes=[Route("/", answer)]), NAMES)

    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(application)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            return await client.get("/", headers={"Host": host})

    return asyncio.run(ask())


@pytest.mark.parametrize(
    "host",
    [
        "127.0.0.1",
        "127.0.0.1:9109",
        "192.0.2.7:9109",
        "[::1]:9109",
        "[2001:db8::7]",
        "localhost",
        "LOCALHOST:9109",
        "a.localhost",
        "tanks.example",
        "TANKS.example.:9109",
        "gateway-north:80",
    ],
)
def test_what_the_gateway_is_called(host: str) -> None:
    assert asked(host).text == "the tanks"


@pytest.mark.parametrize(
    "host",
    [
        "rebind.example",
        "rebind.example:9109",
        "tanks.example.rebind.example",
        "xtanks.example",
        "127.0.0.1.rebind.example",
        "localhost.rebind.example",
        "xlocalhost",
        "127.1",
        "0x7f000001",
        "2130706433",
        "[::1",
        "[::1].rebind.example",
        "user@rebind.example",
        "",
        ":9109",
    ],
)
def test_what_it_is_not_called(host: str) -> None:
    """127.1 and its like are what a browser never sends: it puts an address into its plain form first (WHATWG URL)."""
    refused = asked(host)
    assert refused.status_code == 421
    assert "write the name under `web: names`" in refused.text
    assert "the tanks" not in refused.text


@given(st.text(st.characters(min_codepoint=33, max_codepoint=126)))
def test_no_text_at_all_makes_a_name_of_ours_of_a_strangers(text: str) -> None:
    name = host_name(f"{text}.rebind.example")
    assert name is None or name.endswith("rebind.example")


def test_the_longest_name_is_not_sent_back_whole() -> None:
    assert len(asked("a" * 5000 + ".example").text) < 250
