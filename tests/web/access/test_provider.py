"""Sign-in by a provider of OpenID Connect: one that is true, and what comes of one that is not, is away, or is slow."""

import asyncio
import base64
import ipaddress
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import orjson
import pytest
import trustme
from hypothesis import given
from hypothesis import strategies as st
from joserfc import jwt
from joserfc.jwk import ECKey, OctKey, RSAKey
from structlog.testing import capture_logs

from gateway.errors import GatewayError
from gateway.person import Person, Role
from gateway.site_access import may_still_ask
from gateway.web.access.guard import PROOF_HEADER
from gateway.web.access.plan import AccessPlan
from gateway.web.access.provider.claims import NoPlaceHereError, came_by
from gateway.web.access.provider.connection import LARGEST_DOCUMENT
from gateway.web.access.provider.documents import is_safe_address
from gateway.web.access.provider.faults import AwayError, NotTrueError
from gateway.web.access.provider.going import GOING_S
from gateway.web.access.provider.id_token import ALGORITHMS, key_id_of
from gateway.web.access.provider.plan import ProviderPlan
from tests.web.access.gate import PASSWORD, Gate, SetClock
from tests.web.access.provider_peer import CLIENT, PAGE, SECRET, Answered, ProviderPeer, provider_peer


class Works:
    """A gate whose site has the provider, and browsers that walk to it and back."""

    def __init__(self, gate: Gate, peer: ProviderPeer) -> None:
        self.gate, self.peer = gate, peer

    def use(self, **other: Any) -> None:
        """As a reload of the site file does."""
        plan = AccessPlan(view_without_sign_in=False, provider=self.peer.plan(**other))
        self.gate.access.take_over(plan)

    def browser(self, peer: str = "192.0.2.7") -> httpx.AsyncClient:
        return self.gate.client(peer, base=PAGE)

    async def gone(self, browser: httpx.AsyncClient) -> str:
        """Where it was sent."""
        answer = await browser.post("/api/1/go-to-provider", json={})
        assert answer.status_code == 200, answer.text
        address: str = answer.json()["address"]
        return address

    async def back(self, browser: httpx.AsyncClient, query: str) -> httpx.Response:
        return await browser.post("/api/1/come-back", json={"answer": query})

    async def walked(self, browser: httpx.AsyncClient, **claims: Any) -> httpx.Response:
        return await self.back(browser, self.peer.authorize(await self.gone(browser), **claims))

    async def signed_in(self, browser: httpx.AsyncClient, **claims: Any) -> dict[str, Any]:
        answer = await self.walked(browser, **claims)
        assert answer.status_code == 200, answer.text
        document: dict[str, Any] = answer.json()
        browser.headers[PROOF_HEADER] = document["proof"]
        return document

    async def refused(self, browser: httpx.AsyncClient, **claims: Any) -> str:
        return said(await self.walked(browser, **claims), 401)

    async def person(self, browser: httpx.AsyncClient) -> dict[str, Any] | None:
        person: dict[str, Any] | None = (await browser.get("/api/1/session")).json()["person"]
        return person


def said(answer: httpx.Response, status: int) -> str:
    """What it says to who is not let in: whatever happened, nobody has a session by it."""
    assert answer.status_code == status, answer.text
    assert not any("going" not in each and "=;" not in each for each in answer.headers.get_list("set-cookie"))
    document = answer.json()
    return "; ".join([*document["lines"], document["hint"]])


@pytest.fixture
async def works(tmp_path: Path) -> AsyncIterator[Works]:
    clock = SetClock()
    gate = Gate(tmp_path, clock=clock)
    async with provider_peer(tmp_path, clock) as peer:
        made = Works(gate, peer)
        made.use()
        yield made
    gate.end()


async def test_somebody_comes_in_as_what_the_site_file_makes_of_him(works: Works) -> None:
    async with works.browser() as anna:
        assert await works.person(anna) is None
        told = await works.signed_in(anna)
        assert told["person"] == {"name": "anna@works", "role": "operator", "signature": "anna@works"}
        assert "acknowledge" in told["may"]
        assert "close-day" not in told["may"]
        acted = await anna.post("/api/1/act", json={"what": "it is"})
        assert acted.json()["by"] == "anna@works"
        assert not any("going" in each for each in anna.cookies)
        session = (await anna.get("/api/1/session")).json()
        assert session["provider"] == {"name": "works", "page": PAGE}
    [(asked, by, before, after)] = works.gate.audited
    assert (by, before, after) == ("anna@works", None, {"role": "operator"})
    assert asked["subject"] == "subject-1"


async def test_what_is_asked_there_binds_the_answer_to_this_browser_and_to_a_password(works: Works) -> None:
    async with works.browser() as one, works.browser() as other:
        first, second = [parse_qs(urlsplit(await works.gone(each)).query) for each in (one, other)]
        for name in ("state", "nonce", "code_challenge"):
            assert first[name] != second[name]
            assert len(first[name][0]) == 43  # 256 bits in base64
        assert (first["prompt"], first["max_age"]) == (["login"], ["0"])
        [cookie] = [each for each in one.cookies.jar if each.name.endswith("-going")]
        assert cookie.name.startswith("__Host-")
        assert cookie.secure
        assert cookie.has_nonstandard_attr("HttpOnly")
        assert cookie.get_nonstandard_attr("SameSite") == "Strict"
        for secret in (first["state"][0], first["nonce"][0]):
            assert secret not in (cookie.value or "")
        works.use(asks_each_time=False)
        again = parse_qs(urlsplit(await works.gone(one)).query)
        assert "prompt" not in again
        assert "max_age" not in again


@pytest.mark.parametrize(
    "person",
    [
        {"groups": []},
        {"groups": ["tank-shifts"]},
        {"groups": ["Tank-Shift"]},
        {"groups": "tank-shift tank-office"},
        {"groups": {"tank-shift": True}},
        {"groups": [["tank-shift"], {"a": "tank-shift"}, None, 7]},
        {"groups": None},
        {"groups": [f"other-{each}" for each in range(2000)] + ["tank-shift"]},
    ],
)
async def test_whom_the_site_file_does_not_mention_does_not_come_in(works: Works, person: dict[str, Any]) -> None:
    async with works.browser() as somebody:
        assert "this site has no role for you" in await works.refused(somebody, **person)
        assert await works.person(somebody) is None
    assert works.gate.audited == []


@pytest.mark.parametrize(
    ("groups", "role"),
    [
        ("tank-shift", "operator"),
        (["tank-shift", "tank-office", "tank-chief"], "accountant"),
        (["x", "tank-chief", "tank-shift"], "operator"),
        (["tank-chief"], "administrator"),
    ],
)
async def test_of_several_roles_it_is_the_first_of_the_site_file(works: Works, groups: object, role: str) -> None:
    async with works.browser() as anna:
        assert (await works.signed_in(anna, groups=groups))["person"]["role"] == role


async def test_a_claim_may_stand_in_a_block_and_a_name_be_an_address_of_mail(works: Works) -> None:
    works.use(role_claim="realm_access.roles", name_claim="email")
    async with works.browser() as anna:
        told = await works.signed_in(anna, realm_access={"roles": ["tank-shift"]}, email="anna.berg@port.example")
        assert told["person"]["name"] == "anna.berg@works"


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.sampled_from(["tank-shift", "tank-chief"]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text() | st.just("groups"), inner, max_size=4),
    max_leaves=12,
)
PLAN = ProviderPlan("works", "https://a.example", "c", PAGE, "groups.at", (("tank-shift", Role.OPERATOR),))


@given(st.dictionaries(st.sampled_from(["groups", "groups.at", "preferred_username", "x"]), JSON))
def test_whatever_is_told_nobody_is_more_than_the_site_file_says(claims: dict[str, Any]) -> None:
    try:
        came = came_by("s", claims, PLAN)
    except (NoPlaceHereError, NotTrueError):
        return
    assert came.role is Role.OPERATOR
    assert "@" not in came.name


async def test_what_comes_back_counts_in_the_browser_from_which_it_began_once_and_for_minutes(works: Works) -> None:
    async with works.browser() as anna, works.browser() as eve:
        query = works.peer.authorize(await works.gone(anna))
        # Somebody else's: he has no cookie, or one of his own.
        assert "no sign-in has begun in this browser" in said(await works.back(eve, query), 401)
        await works.gone(eve)
        assert "not to what has begun in this browser" in said(await works.back(eve, query), 401)
        cookies = httpx.Cookies(anna.cookies)
        assert (await works.back(anna, query)).status_code == 200
        # The same once more, with the cookie that was cleared kept by hand.
        anna.cookies = cookies
        assert "this answer has come before" in said(await works.back(anna, query), 401)
    async with works.browser() as late:
        query = works.peer.authorize(await works.gone(late))
        works.gate.clock.pass_by(GOING_S)
        assert "within the last minutes" in said(await works.back(late, query), 401)


async def test_a_code_that_was_used_elsewhere_opens_nothing(works: Works) -> None:
    async with works.browser() as anna, works.browser() as eve:
        stolen = parse_qs(works.peer.authorize(await works.gone(anna))[1:])["code"][0]
        own = works.peer.authorize(await works.gone(eve))
        state = parse_qs(own[1:])["state"][0]
        # Of another sign-in: its verifier is not the one that this code was asked for with (RFC 7636).
        assert "invalid_grant" in said(
            await works.back(eve, f"?code={stolen}&state={state}&iss={works.peer.issuer}"), 401
        )


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("?state={state}", "has no code"),
        ("?code=a&state={state}&state={state}", "says something twice"),
        ("?code=a&code=b&state={state}", "says something twice"),
        ("?code=&state={state}", "has no code"),
        ("?code=%00&state={state}", "has no code"),
        ("?code=a&state=", "not to what has begun"),
        ("?code=a", "not to what has begun"),
        ("?error=access_denied&state={state}", "works has let nobody in: access_denied"),
        ("?error=<b>call+0900+123456</b>&state={state}", "works has let nobody in: for no known reason"),
        ("?" + "&".join(f"a{each}=1" for each in range(31)), "the answer is none"),
        ("?code=a&state={state}", "does not say that it is from"),
        ("?code=a&state={state}&iss=https://other.example", "says that it is from 'https://other.example'"),
    ],
)
async def test_an_answer_that_is_none_opens_nothing(works: Works, query: str, says: str) -> None:
    async with works.browser() as anna:
        address = await works.gone(anna)
        state = parse_qs(urlsplit(address).query)["state"][0]
        assert says in said(await works.back(anna, query.replace("{state}", state)), 401)
        assert "/token" not in works.peer.asked  # no code of ours is shown to anybody


def _by_none(peer: ProviderPeer) -> None:
    def signed(header: dict[str, Any], claims: dict[str, Any]) -> str:
        parts = [
            base64.urlsafe_b64encode(orjson.dumps(each)).rstrip(b"=").decode() for each in ({"alg": "none"}, claims)
        ]
        return ".".join([*parts, ""])

    peer.sign = signed


def _by_the_public_key(peer: ProviderPeer) -> None:
    """As text, taken for a secret that both have."""
    public = peer.key.as_pem(private=False)
    peer.sign = lambda header, claims: jwt.encode(
        header | {"alg": "HS256"}, claims, OctKey.import_key(base64.b64encode(public).decode()), algorithms=["HS256"]
    )


def _by_the_secret(peer: ProviderPeer) -> None:
    key = OctKey.import_key(SECRET * 4)
    peer.sign = lambda header, claims: jwt.encode(header | {"alg": "HS256"}, claims, key, algorithms=["HS256"])


def _by_another_key(peer: ProviderPeer) -> None:
    other = ECKey.generate_key("P-256", {"kid": "one"})
    peer.sign = lambda header, claims: jwt.encode(header, claims, other, algorithms=["ES256"])


def _by_a_key_that_it_brings_itself(peer: ProviderPeer) -> None:
    other = ECKey.generate_key("P-256")
    own = {"jwk": other.as_dict(private=False), "jku": "https://127.0.0.1/keys"}
    peer.sign = lambda header, claims: jwt.encode({"alg": "ES256", **own}, claims, other, algorithms=["ES256"])


def _changed_behind_its_signature(peer: ProviderPeer) -> None:
    def signed(header: dict[str, Any], claims: dict[str, Any]) -> str:
        head, _, mark = jwt.encode(header, claims, peer.key, algorithms=["ES256"]).split(".")
        other = orjson.dumps(claims | {"groups": ["tank-chief"]})
        return f"{head}.{base64.urlsafe_b64encode(other).rstrip(b'=').decode()}.{mark}"

    peer.sign = signed


def _as(text: str) -> Callable[[ProviderPeer], None]:
    def change(peer: ProviderPeer) -> None:
        peer.sign = lambda header, claims: text

    return change


def _of_unusable_keys(peer: ProviderPeer) -> None:
    async def keys(_: str, __: dict[str, str], ___: bytes) -> Answered:
        odd = [
            {"kty": "oct", "k": "c2VjcmV0", "kid": "one"},
            {"kty": "RSA", "n": "AQAB", "e": "AQAB", "kid": "one"},
            {"kty": "EC", "crv": "P-256", "x": 7, "y": [], "kid": "one"},
            {"kty": "EC", "kid": "one"},
            {"kty": ["EC"], "kid": {}},
            {**peer.key.as_dict(private=False), "use": "enc"},
            {**peer.key.as_dict(private=False), "alg": "none"},
            7,
            None,
        ]
        return Answered(200, orjson.dumps({"keys": odd}))

    peer.instead["/keys"] = keys


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (_by_none, "signed by 'none', which does not count"),
        (_by_the_public_key, "signed by 'HS256', which does not count"),
        (_by_the_secret, "signed by 'HS256', which does not count"),
        (_by_another_key, "not signed by a key of the provider"),
        (_by_a_key_that_it_brings_itself, "not signed by a key of the provider"),
        (_changed_behind_its_signature, "not signed by a key of the provider"),
        (_of_unusable_keys, "not signed by a key of the provider"),
        (_as(""), "an ID token that is none"),
        (_as("a.b"), "an ID token that is none"),
        (_as("é.é.é"), "an ID token that is none"),
        (_as("e30.e30.e30"), "signed by None"),
        (_as("W10.W10.W10"), "an ID token that is none"),
        (_as("a" * 70_000 + ".b.c"), "an ID token that is none"),
    ],
)
async def test_a_token_that_the_provider_has_not_signed_opens_nothing(
    works: Works, change: Callable[[ProviderPeer], None], says: str
) -> None:
    change(works.peer)
    async with works.browser() as anna:
        assert says in await works.refused(anna)
        assert await works.person(anna) is None


@pytest.mark.parametrize(
    "claims",
    [
        {"aud": "another-client"},
        {"aud": []},
        {"aud": ["another-client"]},
        {"aud": [CLIENT, "another-client"]},
        {"aud": [CLIENT, "another-client"], "azp": "another-client"},
        {"azp": "another-client"},
        {"aud": None},
        {"iss": "https://127.0.0.1/works"},
        {"iss": ["https://127.0.0.1/works"]},
        {"iss": None},
        {"nonce": "of another sign-in"},
        {"nonce": None},
        {"exp": 1_790_000_000 - 61},
        {"exp": None},
        {"exp": "1790000300"},
        {"exp": True},
        {"exp": 1e300},
        {"iat": 1_790_000_000 + 61},
        {"iat": None},
        {"nbf": 1_790_000_000 + 61},
        {"sub": ""},
        {"sub": None},
        {"sub": 7},
        {"sub": "x" * 256},
        {"at_hash": "b2YgYW5vdGhlcg"},
        {"auth_time": 1_790_000_000 - 61},
        {"auth_time": None},
        {"auth_time": "now"},
        {"preferred_username": None},
        {"preferred_username": ["anna"]},
    ],
    ids=repr,
)
async def test_a_token_for_something_else_opens_nothing(works: Works, claims: dict[str, Any]) -> None:
    works.peer.claims = claims
    async with works.browser() as anna:
        await works.refused(anna)
        assert await works.person(anna) is None
    assert works.gate.access.people.guests == {}


async def test_clocks_may_differ_by_a_minute(works: Works) -> None:
    now = int(works.gate.clock.utc_s)
    works.peer.claims = {"iat": now + 59, "exp": now - 59, "auth_time": now - 59}
    async with works.browser() as anna:
        await works.signed_in(anna)


@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_whatever_stands_in_place_of_a_token_it_is_one_or_is_refused(head: bytes) -> None:
    token = f"{base64.urlsafe_b64encode(head).rstrip(b'=').decode()}.e30.e30"
    try:
        key_id_of(token)
    except NotTrueError:
        return
    assert orjson.loads(head)["alg"] in ALGORITHMS


async def test_keys_change_while_people_sign_in(works: Works) -> None:
    async with works.browser() as anna, works.browser() as berta:
        await works.signed_in(anna)
        works.gate.clock.pass_by(31.0)
        works.peer.key = ECKey.generate_key("P-256", {"kid": "two"})
        await works.signed_in(berta)
        # A key that is nowhere is asked for no more often than twice a minute.
        works.peer.published = []
        works.peer.key = ECKey.generate_key("P-256", {"kid": "three"})
        before = works.peer.asked.count("/keys")
        for _ in range(5):
            await works.refused(berta)
        assert works.peer.asked.count("/keys") == before
        works.gate.clock.pass_by(31.0)
        works.peer.published = None
        await works.signed_in(berta)


async def test_keys_of_another_kind_and_without_a_name_do(works: Works) -> None:
    works.peer.key, works.peer.algorithm = RSAKey.generate_key(2048), "PS256"
    works.peer.sign = lambda header, claims: jwt.encode({"alg": "PS256"}, claims, works.peer.key, algorithms=["PS256"])
    async with works.browser() as anna:
        await works.signed_in(anna)


async def test_a_secret_that_forms_would_change_arrives_as_it_is(works: Works, tmp_path: Path) -> None:
    file = tmp_path / "secret"
    file.write_text(f"{SECRET}\n", "utf-8")
    works.use(secret_file=file)
    async with works.browser() as anna:
        await works.signed_in(anna)
    file.write_text("another one\n", "utf-8")
    works.gate.clock.pass_by(61.0)
    async with works.browser() as anna:
        assert "invalid_client" in await works.refused(anna)
    file.unlink()
    works.gate.clock.pass_by(61.0)
    async with works.browser() as anna:
        answer = await anna.post("/api/1/go-to-provider", json={})
        assert "secret file" in said(answer, 503)


async def test_what_the_token_does_not_tell_is_asked_for_and_of_nobody_else(works: Works) -> None:
    works.peer.person = {}
    works.peer.more = {"preferred_username": "anna", "groups": ["tank-shift"]}
    async with works.browser() as anna:
        assert (await works.signed_in(anna))["person"]["name"] == "anna@works"
    works.peer.more["sub"] = "subject-2"
    async with works.browser() as anna:
        assert "tells of somebody else" in await works.refused(anna)


def _answering(status: int, body: bytes, *headers: tuple[str, str]) -> Callable[[str, dict[str, str], bytes], Any]:
    async def answer(_: str, __: dict[str, str], ___: bytes) -> Answered:
        return Answered(status, body, headers)

    return answer


ABOUT = "/.well-known/openid-configuration"


@pytest.mark.parametrize("place", ["https://login.example/out", "https://login.example/out?of=works"])
async def test_who_signs_out_is_sent_to_end_his_session_there(works: Works, place: str) -> None:
    """OpenID Connect RP-Initiated Logout 1.0, section 2: whose session, for which client, and where to go then."""
    works.peer.discovery = {"end_session_endpoint": place}
    async with works.browser() as anna, works.browser() as local:
        await works.signed_in(anna)
        out = (await anna.post("/api/1/sign-out", json={})).json()
        assert out["person"] is None
        address = urlsplit(out["provider_out"])
        asked = {name: values for name, [values] in parse_qs(address.query).items()}
        assert f"{address.scheme}://{address.netloc}{address.path}" == "https://login.example/out"
        assert asked.pop("of", "works") == "works"
        claims = orjson.loads(base64.urlsafe_b64decode(asked.pop("id_token_hint").split(".")[1] + "=="))
        assert (claims["iss"], claims["nonce"] != "") == (works.peer.issuer, True)
        assert asked == {"client_id": CLIENT, "post_logout_redirect_uri": f"{PAGE}/"}
        # Of whom it is not known any more, as after a restart, the provider asks.
        await works.signed_in(anna)
        provider = works.gate.access.provider
        assert provider is not None
        provider._id_tokens.clear()
        again = (await anna.post("/api/1/sign-out", json={})).json()["provider_out"]
        assert "id_token_hint" not in again
        assert "client_id=" in again
        # Whoever has a password here has nothing to end there.
        await works.gate.joined(local, "bo", "viewer")
        assert "provider_out" not in (await local.post("/api/1/sign-out", json={})).json()


@pytest.mark.parametrize("place", [None, "http://login.example/out", "javascript:alert(1)", "https://a@b/out", 7])
async def test_where_there_is_no_such_place_he_is_told(works: Works, place: object) -> None:
    works.peer.discovery = {"end_session_endpoint": place}
    async with works.browser() as anna:
        await works.signed_in(anna)
        out = (await anna.post("/api/1/sign-out", json={})).json()
        assert (out["person"], out["provider_out"]) == (None, "")


async def test_who_signs_out_is_out_here_wherever_the_provider_is(
    works: Works, monkeypatch: pytest.MonkeyPatch
) -> None:
    provider = works.gate.access.provider
    assert provider is not None

    async def away(_: str) -> str | None:
        raise AwayError("the provider does not answer")

    async with works.browser() as anna:
        await works.signed_in(anna)
        monkeypatch.setattr(provider, "way_out", away)
        answer = await anna.post("/api/1/sign-out", json={})
        assert (answer.status_code, answer.json()["provider_out"]) == (200, "")
        assert await works.person(anna) is None


@pytest.mark.parametrize("path", [ABOUT, "/keys", "/token"])
@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"[]",
        b"null",
        b"{",
        b"\xff\xfe",
        b"[" * 100_000,
        b'{"keys":' * 20_000,
        b" " * (LARGEST_DOCUMENT + 1),
        b"<html>sign in</html>",
        b'{"keys": 7, "id_token": 7, "issuer": 7}',
        b'{"keys": [' + b'{"kty":"EC"},' * 60 + b"{}]}",
    ],
    ids=lambda body: repr(body[:12]),
)
async def test_documents_that_are_none_let_nobody_in_and_lock_nobody_out(works: Works, path: str, body: bytes) -> None:
    async with works.browser() as anna, works.browser("192.0.2.8") as local:
        await works.gate.joined(local, "local", "operator")
        works.peer.instead[path] = _answering(200, body)
        answer = await anna.post("/api/1/go-to-provider", json={})
        if path == ABOUT:
            assert "by name and password meanwhile" in said(answer, 503)
        else:
            answer = await works.back(anna, works.peer.authorize(answer.json()["address"]))
            assert answer.status_code in (401, 503), answer.text
        assert await works.person(anna) is None
        signed = await local.post("/api/1/sign-in", json={"name": "local", "password": PASSWORD})
        assert signed.status_code == 200


@pytest.mark.parametrize("path", [ABOUT, "/keys", "/token"])
@pytest.mark.parametrize("status", [301, 302, 307, 308, 404, 429, 500, 503])
async def test_a_provider_that_sends_elsewhere_or_fails_is_not_followed(works: Works, path: str, status: int) -> None:
    works.peer.instead[path] = _answering(status, b"{}", ("Location", f"{works.peer.issuer}/elsewhere"))
    async with works.browser() as anna:
        answer = await anna.post("/api/1/go-to-provider", json={})
        if path != ABOUT:
            answer = await works.back(anna, works.peer.authorize(answer.json()["address"]))
        assert answer.status_code in (401, 503), answer.text
        assert "/elsewhere" not in works.peer.asked


@pytest.mark.parametrize(
    "discovery",
    [
        {"issuer": "https://other.example"},
        {"issuer": None},
        {"authorization_endpoint": "javascript:alert(1)//https://a"},
        {"authorization_endpoint": "http://login.example/authorize"},
        {"authorization_endpoint": "https://anna@login.example/authorize"},
        {"authorization_endpoint": "https://login.example/authorize#here"},
        {"authorization_endpoint": "https://login.example\\@other.example/"},
        {"authorization_endpoint": "https:///authorize"},
        {"authorization_endpoint": ["https://login.example"]},
        {"authorization_endpoint": "https://login.example/\r\nSet-Cookie: a=b"},
        {"token_endpoint": "http://127.0.0.1/token"},
        {"token_endpoint": "file:///etc/passwd"},
        {"token_endpoint": None},
        {"jwks_uri": "http://127.0.0.1/keys"},
        {"userinfo_endpoint": "http://127.0.0.1/me"},
    ],
    ids=repr,
)
async def test_a_browser_is_sent_nowhere_but_over_tls_to_who_says_so_of_himself(
    works: Works, discovery: dict[str, Any]
) -> None:
    works.peer.discovery = discovery
    async with works.browser() as anna:
        said(await anna.post("/api/1/go-to-provider", json={}), 503)


@given(st.text(max_size=60) | st.text(max_size=40).map("https://".__add__))
def test_an_address_that_counts_as_safe_is_one_of_tls(text: str) -> None:
    if is_safe_address(text):
        assert text.lower().startswith("https://")
        assert httpx.URL(text).host
        assert not httpx.URL(text).userinfo


async def test_whoever_is_not_who_tls_says_is_asked_nothing(works: Works, tmp_path: Path) -> None:
    other = tmp_path / "other-ca.pem"
    trustme.CA().cert_pem.write_to_path(other)
    works.use(ca=other)
    async with works.browser() as anna:
        assert "certificate is not accepted" in said(await anna.post("/api/1/go-to-provider", json={}), 503)
    assert works.peer.asked == []


async def test_a_provider_that_is_away_locks_nobody_out_and_is_there_again_later(tmp_path: Path) -> None:
    clock = SetClock()
    gate = Gate(tmp_path, clock=clock)
    peer = ProviderPeer(tmp_path, clock)
    works = Works(gate, peer)
    async with peer.served():
        pass  # a port that was free a moment ago
    works.use()
    async with works.browser() as local:
        with capture_logs() as logs:
            answer = await local.post("/api/1/go-to-provider", json={})
        assert "sign in by name and password meanwhile" in said(answer, 503)
        assert [each["event"] for each in logs] == ["people.read", "access.provider_away"]
        await gate.joined(local, "local", "operator")
        assert (await works.person(local) or {})["name"] == "local"
        async with peer.served():
            # For a few seconds it is not asked again.
            said(await local.post("/api/1/go-to-provider", json={}), 503)
            clock.pass_by(6.0)
            await works.signed_in(local)
    gate.end()


@pytest.mark.parametrize("path", [ABOUT, "/token", "/keys"])
async def test_a_slow_provider_is_waited_for_within_bounds_and_by_nobody_else(works: Works, path: str) -> None:
    provider = works.gate.access.provider
    assert provider is not None
    provider.longest_s = 0.3
    held = asyncio.Event()

    async def never(_: str, __: dict[str, str], ___: bytes) -> Answered:
        held.set()
        await asyncio.sleep(60.0)
        return Answered(200, b"{}")

    works.peer.instead[path] = never
    async with works.browser() as anna, works.browser("192.0.2.8") as local:
        await works.gate.joined(local, "local", "operator")

        async def walk() -> httpx.Response:
            answer = await anna.post("/api/1/go-to-provider", json={})
            if answer.status_code != 200:
                return answer
            return await works.back(anna, works.peer.authorize(answer.json()["address"]))

        walking = asyncio.create_task(walk())
        await held.wait()
        signed = await local.post("/api/1/sign-in", json={"name": "local", "password": PASSWORD})
        assert signed.status_code == 200
        assert not walking.done()
        assert "has not answered within 0.3 s" in said(await walking, 503)


async def test_no_more_wait_for_a_provider_than_may(works: Works) -> None:
    release, all_wait = asyncio.Event(), asyncio.Event()

    async def slowly(_: str, __: dict[str, str], ___: bytes) -> Answered:
        if works.peer.asked.count(ABOUT) == 8:
            all_wait.set()
        await release.wait()
        return Answered(503, b"")

    works.peer.instead[ABOUT] = slowly
    async with works.browser() as anna:
        first = [asyncio.create_task(anna.post("/api/1/go-to-provider", json={})) for _ in range(8)]
        await all_wait.wait()
        assert "too many sign in at once" in said(await anna.post("/api/1/go-to-provider", json={}), 503)
        release.set()
        await asyncio.gather(*first)


async def test_a_name_is_one_persons_and_looks_like_nobody_elses(works: Works) -> None:
    async with works.browser() as anna, works.browser() as eve:
        await works.signed_in(anna)
        # Another subject by the same name, and by one that is read as the same: Cyrillic a.
        assert "anna@works is somebody else here" in said(await works.walked(eve, sub="subject-2"), 409)
        for name in ("Anna", "аnna", "ANNA", "anna@other.example"):
            said(await works.walked(eve, sub="subject-2", preferred_username=name), 409)
        for name in ("", " ", "@page", "an\0na", "anna\u202egro", "a" * 41, "<img src=x>", "ro/ot"):
            said(await works.walked(eve, sub="subject-2", preferred_username=name), 409)
        # Who is called otherwise from now on is; a few times.
        for name in ("anna berg", "berta"):
            assert (await works.signed_in(anna, preferred_username=name))["person"]["name"] == f"{name}@works"
        assert "3 names already" in said(await works.walked(anna, preferred_username="cora"), 409)
        # An administrator frees a name, and it is the next one's.
        await works.gate.asked({"action": "people-remove", "name": "anna@works"})
        await works.signed_in(eve, sub="subject-2")


async def test_nobody_of_here_can_be_called_like_a_guest_nor_a_guest_like_somebody_of_here(works: Works) -> None:
    async with works.browser() as anna, works.browser() as local:
        await works.gate.joined(local, "anna", "administrator")
        assert (await works.signed_in(anna))["person"]["signature"] == "anna@works"
        assert (await works.person(local) or {})["signature"] == "anna@page"
        code = await works.gate.invited("operator")
        for name in ("anna@works", "anna@page", "anna＠works"):
            joined = await local.post("/api/1/join", json={"code": code, "name": name, "password": PASSWORD})
            assert joined.status_code == 409
        # They are two people: what ends the one does not end the other.
        await works.gate.asked({"action": "people-end-sessions", "name": "anna@works"})
        assert await works.person(anna) is None
        assert await works.person(local) is not None
        await works.signed_in(anna)
        await works.gate.asked({"action": "people-remove", "name": "anna"})
        assert await works.person(local) is None
        assert await works.person(anna) is not None
    assert Person("anna@works", Role.OPERATOR).signature != Person("anna", Role.OPERATOR).signature


async def test_two_who_come_at_once_by_one_name_are_one(works: Works) -> None:
    async with works.browser() as anna, works.browser() as eve:
        first = works.peer.authorize(await works.gone(anna))
        second = works.peer.authorize(await works.gone(eve), sub="subject-2")
        answers = await asyncio.gather(works.back(anna, first), works.back(eve, second))
    assert sorted(answer.status_code for answer in answers) == [200, 409]


async def test_sessions_of_a_guest_end_as_those_of_others_do(works: Works) -> None:
    async with works.browser() as anna, works.browser() as phone:
        await works.signed_in(anna)
        await works.signed_in(phone)
        assert (await anna.post("/api/1/sign-out", json={})).status_code == 200
        assert await works.person(anna) is None
        assert await works.person(phone) is not None
        await works.signed_in(anna)
        await anna.post("/api/1/sign-out", json={"everywhere": True})
        assert await works.person(phone) is None
        await works.signed_in(phone)
        works.gate.clock.pass_by(works.gate.access.plan.session_unused_s)
        assert await works.person(phone) is None
        await works.signed_in(phone)
        assert (await works.gate.asked({"action": "people-end-sessions"}))["code"] == 0
        assert await works.person(phone) is None


async def test_another_role_there_ends_what_began_with_the_one_before(works: Works) -> None:
    async with works.browser() as anna, works.browser() as phone:
        await works.signed_in(anna, groups=["tank-chief"])
        assert (await works.signed_in(phone, groups=["tank-shift"]))["person"]["role"] == "operator"
        assert await works.person(anna) is None
    assert [told[2:] for told in works.gate.audited] == [
        (None, {"role": "administrator"}),
        ({"role": "administrator"}, {"role": "operator"}),
    ]


async def test_what_the_site_file_says_no_more_is_nobodys(works: Works) -> None:
    async with works.browser() as anna, works.browser() as other:
        await works.signed_in(anna)
        works.use()  # a reload of the same
        assert await works.person(anna) is not None
        for change in (
            {"roles": (("tank-chief", Role.OPERATOR),)},
            {"role_claim": "others"},
            {"issuer": "https://other.example"},
            {"client": "another"},
            {"name": "other"},
        ):
            works.use(**change)
            assert await works.person(anna) is None
            assert (await anna.post("/api/1/act", json={})).status_code == 401
        works.gate.access.take_over(AccessPlan(view_without_sign_in=False))
        assert await works.person(anna) is None
        assert "provider" not in (await anna.get("/api/1/session")).json()
        assert "knows no provider" in said(await other.post("/api/1/go-to-provider", json={}), 409)


async def test_a_change_of_the_site_file_ends_what_has_begun(works: Works) -> None:
    async with works.browser() as anna:
        query = works.peer.authorize(await works.gone(anna))
        works.use(roles=(("tank-shift", Role.ADMINISTRATOR),))
        assert "no sign-in has begun" in said(await works.back(anna, query), 401)


async def test_a_restart_signs_nobody_out_and_forgets_nobodys_name(works: Works, tmp_path: Path) -> None:
    async with works.browser() as anna, works.browser() as eve:
        await works.signed_in(anna)
        await works.gate.access.people.keep_sessions()
        works.gate.end()
        works.gate.access.people._thread.do(lambda: None).result(timeout=20)
        again = Gate(tmp_path, clock=works.gate.clock)
        new = Works(again, works.peer)
        new.use()
        async with new.browser() as later:
            later.cookies = anna.cookies
            await again.access.people.known()
            assert (await new.person(later) or {})["name"] == "anna@works"
        async with new.browser() as eve:
            said(await new.walked(eve, sub="subject-2"), 409)
        again.end()


async def test_who_is_no_more_has_no_code_open_either(works: Works) -> None:
    async with works.browser() as anna, works.browser() as eve:
        await works.signed_in(anna, groups=["tank-chief"])
        made = await anna.post("/api/1/people", json={"action": "people-invite", "role": "administrator"})
        code = made.json()["one_time_code"]
        listed = (await anna.get("/api/1/people")).json()
        assert [each["name"] for each in listed["guests"]] == ["anna@works"]
        assert listed["codes"][0]["by"] == "anna@works"
        await works.gate.asked({"action": "people-end-sessions", "name": "anna@works"})
        joined = await eve.post("/api/1/join", json={"code": code, "name": "eve", "password": PASSWORD})
        assert joined.status_code == 401
    answer = await works.gate.asked({"action": "people-role", "name": "anna@works", "role": "viewer"})
    assert answer["code"] == 2
    assert "the provider says what anna@works is" in answer["lines"][0]


@pytest.mark.parametrize(
    "change",
    [
        {"roles": (("tank-chief", Role.OPERATOR),)},
        {"issuer": "https://other.example"},
        {"name": "other"},
        None,
    ],
    ids=repr,
)
async def test_a_code_ends_with_what_made_its_maker_an_administrator(
    works: Works, change: dict[str, Any] | None
) -> None:
    async with works.browser() as anna, works.browser() as eve:
        await works.signed_in(anna, groups=["tank-chief"])
        made = [await anna.post("/api/1/people", json={"action": "people-invite", "role": "viewer"}) for _ in range(2)]
        codes = [answer.json()["one_time_code"] for answer in made]

        async def join(code: str, name: str) -> int:
            return (await eve.post("/api/1/join", json={"code": code, "name": name, "password": PASSWORD})).status_code

        assert await join(codes[0], "first") == 200
        if change is None:
            await works.signed_in(anna, groups=["tank-shift"])  # another role there
        else:
            works.use(**change)
        assert await join(codes[1], "second") == 401


async def test_it_begins_and_ends_at_one_address_and_on_our_own_page(works: Works) -> None:
    async with works.gate.client(base="https://192.0.2.1") as elsewhere:
        assert f"begins and ends at {PAGE}" in said(await elsewhere.post("/api/1/go-to-provider", json={}), 409)
    async with works.browser() as anna:
        query = works.peer.authorize(await works.gone(anna))
        for path, body in (("/api/1/go-to-provider", {}), ("/api/1/come-back", {"answer": query})):
            for headers in ({"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "cross-site"}):
                assert (await anna.post(path, json=body, headers=headers)).status_code == 403
            # Nothing changes by what a link or a redirect can make a browser do.
            assert (await anna.get(path)).status_code == 405
            assert (await anna.post(path, data={"answer": query})).status_code == 415
        assert (await works.back(anna, query)).status_code == 200


async def test_whoever_guesses_waits(works: Works) -> None:
    async with works.browser() as eve:
        statuses = [(await works.back(eve, "?code=a&state=b")).status_code for _ in range(60)]
        assert 429 in statuses
        assert "/token" not in works.peer.asked
    async with works.browser("192.0.2.99") as anna:
        await works.signed_in(anna)


async def test_who_comes_back_while_too_many_sign_in_has_guessed_nothing(works: Works) -> None:
    """A control room behind one address: after 40 wrong ones nobody there could use a password of here either."""
    provider = works.gate.access.provider
    assert provider is not None
    async with works.browser() as anna:
        await works.gate.joined(anna, "local", "operator")
        for _ in range(45):
            query = works.peer.authorize(await works.gone(anna))
            provider._asked = 8
            assert "too many sign in at once" in said(await works.back(anna, query), 503)
            provider._asked = 0
        signed = await anna.post("/api/1/sign-in", json={"name": "local", "password": PASSWORD})
        assert signed.status_code == 200, signed.text


async def test_a_full_disk_lets_in_nobody_who_is_new(works: Works, monkeypatch: pytest.MonkeyPatch) -> None:
    async with works.browser() as anna, works.browser() as berta:
        await works.signed_in(anna)

        def full(_: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(works.gate.file, "write", full)
        said(await works.walked(berta, sub="subject-2", preferred_username="berta"), 409)
        await works.signed_in(anna)


async def test_the_secrets_of_a_sign_in_are_in_no_log(works: Works) -> None:
    with capture_logs() as logs:
        async with works.browser() as anna:
            address = await works.gone(anna)
            query = works.peer.authorize(address)
            await works.back(anna, query)
            await works.refused(anna, aud="other")
    told = repr(logs)
    assert "access.signed_in" in told
    assert "access.sign_in_refused" in told
    for name, values in (parse_qs(query[1:]) | parse_qs(urlsplit(address).query)).items():
        if name in ("code", "state", "nonce", "code_challenge"):
            assert values[0] not in told


async def test_what_is_missing_is_said(works: Works, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.web.access.provider.provider.find_spec", lambda name: None)
    async with works.browser() as anna:
        assert "pip install 'tank-gateway[oidc]'" in said(await anna.post("/api/1/go-to-provider", json={}), 503)


def test_a_refusal_is_an_error_of_the_gateway() -> None:
    assert issubclass(NotTrueError, GatewayError)


async def test_behind_a_proxy_that_ends_tls_it_is_the_address_that_browsers_see(tmp_path: Path) -> None:
    clock = SetClock()
    async with provider_peer(tmp_path, clock) as peer:
        proxy = ipaddress.ip_network("192.0.2.5")
        plan = AccessPlan(view_without_sign_in=False, trusted_proxy=proxy, provider=peer.plan())
        gate = Gate(tmp_path, plan, clock=clock)
        works = Works(gate, peer)
        told = {"X-Forwarded-For": "198.51.100.7", "X-Forwarded-Proto": "https"}
        plain = PAGE.replace("https", "http")
        async with gate.client("192.0.2.5", base=plain, headers=told) as anna:
            address = await works.gone(anna)
            # Over what is plain HTTP between the proxy and us a client keeps no cookie that is for TLS alone.
            cookies = "; ".join(f"{each.name}={each.value}" for each in anna.cookies.jar)
            assert cookies.startswith("__Host-")
            body = {"answer": peer.authorize(address)}
            answer = await anna.post("/api/1/come-back", json=body, headers={"Cookie": cookies})
            assert answer.status_code == 200, answer.text
            assert all("; Secure" in each for each in answer.headers.get_list("set-cookie"))
        async with gate.client("192.0.2.6", base=plain, headers=told) as other:
            assert "begins and ends at" in said(await other.post("/api/1/go-to-provider", json={}), 409)
        gate.end()


async def test_who_may_still_ask_for_what_waits_for_a_second_person(works: Works) -> None:
    access, dip, close = works.gate.access, {"action": "dip"}, {"action": "close-day"}
    async with works.browser() as anna, works.browser() as local:
        await works.gate.joined(local, "bo", "accountant")
        await works.signed_in(anna)
        assert [may_still_ask(access, by, close) for by in ("bo@page", "anna@works", "root")] == [True, False, True]
        assert may_still_ask(access, "anna@works", dip)
        assert not may_still_ask(access, "berta@works", dip)
        await works.gate.asked({"action": "people-role", "name": "bo", "role": "viewer"})
        assert not may_still_ask(access, "bo@page", close)
        await works.gate.asked({"action": "people-remove", "name": "bo"})
        assert not may_still_ask(access, "bo@page", close)
        works.use(roles=(("tank-shift", Role.VIEWER),))
        assert not may_still_ask(access, "anna@works", dip)
        works.use(name="other")
        assert not may_still_ask(access, "anna@works", dip)


@pytest.mark.parametrize("path", [ABOUT, "/keys", "/token"])
async def test_a_document_that_is_right_and_too_large_is_left_unread(works: Works, path: str) -> None:
    right = works.peer.answer

    async def padded(method: str, target: str, headers: dict[str, str], body: bytes) -> Answered:
        found = await right(method, target, headers, body)
        return found._replace(body=found.body + b" " * LARGEST_DOCUMENT) if target.endswith(path) else found

    works.peer.answer = padded  # type: ignore[method-assign]
    async with works.browser() as anna:
        answer = await anna.post("/api/1/go-to-provider", json={})
        if path != ABOUT:
            answer = await works.back(anna, works.peer.authorize(answer.json()["address"]))
        assert f"more than {LARGEST_DOCUMENT} bytes" in said(answer, 503)
