"""What is said between here and a provider of OpenID Connect, by the code flow with PKCE (RFC 6749, 7636, 9207).

What it says of itself and its keys are kept for an hour; a key that is not known is asked for at most twice a minute.
"""

import base64
from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import quote_plus, urlencode

from authlib.oauth2.rfc6749.parameters import prepare_grant_uri, prepare_token_request
from authlib.oauth2.rfc7636 import create_s256_code_challenge

from gateway.web.access.provider.claims import Came, came_by, is_told
from gateway.web.access.provider.connection import Connection, connected
from gateway.web.access.provider.documents import Metadata, metadata_from, object_from
from gateway.web.access.provider.faults import AwayError, NotTrueError
from gateway.web.access.provider.going import Going
from gateway.web.access.provider.id_token import Keys, Wanted, claims_of, key_id_of, keys_from
from gateway.web.access.provider.plan import ProviderPlan
from gateway.web.access.provider.secrets import Means

__all__ = ["Exchange"]

_KEPT_S = 3600.0
_KEYS_AGAIN_S = 30.0
_FORM = {"Content-Type": "application/x-www-form-urlencoded"}
_LONGEST_TOKEN = 65_536
_LONGEST_HINT = 6_000
"""Of an address that servers take, 8,000 octets, the most of it (RFC 9110, section 4.1)."""


class Exchange:
    """From the loop. Raises AwayError, NotTrueError, NoPlaceHereError; the end of its time is up to who asks."""

    def __init__(self, plan: ProviderPlan, monotonic: Callable[[], float]) -> None:
        self._plan = plan
        self._monotonic = monotonic
        self._metadata: tuple[float, Metadata] | None = None
        self._keys: tuple[float, Keys] | None = None

    async def address(self, means: Means, going: Going) -> str:
        """Where the browser has to go."""
        plan = self._plan
        async with connected(means[1]) as connection:
            metadata = await self._known(connection)
        again = {"prompt": "login", "max_age": "0"} if plan.asks_each_time else {}
        address: str = prepare_grant_uri(
            metadata.authorization,
            client_id=plan.client,
            response_type="code",
            redirect_uri=plan.returns_to,
            scope=" ".join(("openid", *plan.scopes)),
            state=going.state,
            nonce=going.nonce,
            code_challenge=create_s256_code_challenge(going.verifier),
            code_challenge_method="S256",
            **again,
        )
        return address

    async def came(self, means: Means, going: Going, code: str, issuer: str | None, now: float) -> Came:
        """Who has come back with this code. `issuer`: who says that he gave it. `now`: UTC, s since the epoch."""
        plan = self._plan
        async with connected(means[1]) as connection:
            metadata = await self._known(connection)
            if issuer is None and metadata.says_issuer:
                raise NotTrueError(f"the answer does not say that it is from {plan.issuer}")
            if issuer is not None and issuer != plan.issuer:
                # Else a provider that is not ours could make us show it a code of ours.
                raise NotTrueError(
                    f"the answer says that it is from {issuer[:200]!r}, and this site asks {plan.issuer!r}"
                )
            token, access_token = await self._tokens(connection, metadata, means[0], going, code)
            keys = await self._keys_for(connection, metadata, key_id_of(token))
            wanted = Wanted(plan.issuer, plan.client, going.nonce, going.begun, plan.asks_each_time)
            claims = claims_of(token, access_token, keys, wanted, now)
            subject: str = claims["sub"]
            if not is_told(claims, plan) and metadata.person is not None and access_token:
                claims = {**await self._more(connection, metadata.person, access_token, subject), **claims}
        return came_by(subject, claims, plan)._replace(id_token=token)

    async def way_out(self, means: Means, id_token: str) -> str | None:
        """Where the browser has to go to end its session there, and comes back from; None where there is no such
        place. `id_token`: of that session; where it is not known, the provider asks whether it is meant."""
        async with connected(means[1]) as connection:
            # Asked anew, so that no browser is sent where nobody answers any more.
            place = (await self._known(connection, kept_s=0.0)).out
        if place is None:
            return None
        asked = {"client_id": self._plan.client, "post_logout_redirect_uri": self._plan.returns_to}
        if 0 < len(id_token) <= _LONGEST_HINT:
            asked["id_token_hint"] = id_token
        return f"{place}{'&' if '?' in place else '?'}{urlencode(asked)}"

    async def _known(self, connection: Connection, *, kept_s: float = _KEPT_S) -> Metadata:
        now_s = self._monotonic()
        if self._metadata is None or now_s - self._metadata[0] > kept_s:
            place = f"{self._plan.issuer.rstrip('/')}/.well-known/openid-configuration"
            document = await _read(connection, place, "what the provider says about itself")
            self._metadata = now_s, metadata_from(document, self._plan.issuer)
            self._keys = None
        return self._metadata[1]

    async def _keys_for(self, connection: Connection, metadata: Metadata, kid: str | None) -> Keys:
        now_s = self._monotonic()
        kept = self._keys
        is_old = kept is None or now_s - kept[0] > _KEPT_S
        lacks = kept is not None and not any(kid is None or key.kid == kid for key in kept[1])
        if kept is None or is_old or (lacks and now_s - kept[0] > _KEYS_AGAIN_S):
            kept = self._keys = now_s, keys_from(await _read(connection, metadata.keys, "the list of keys"))
        return kept[1]

    async def _tokens(
        self, connection: Connection, metadata: Metadata, secret: str | None, going: Going, code: str
    ) -> tuple[str, str]:
        """The ID token and the access token."""
        plan = self._plan
        headers, shown = dict(_FORM), {}
        if secret is not None and metadata.takes_basic:
            # Each half as a form has it (RFC 6749, section 2.3.1).
            pair = f"{quote_plus(plan.client)}:{quote_plus(secret)}"
            headers["Authorization"] = f"Basic {base64.b64encode(pair.encode()).decode()}"
        else:
            shown = {"client_id": plan.client} | ({} if secret is None else {"client_secret": secret})
        form: str = prepare_token_request(
            "authorization_code",
            redirect_uri=plan.returns_to,
            code=code,
            code_verifier=going.verifier,
            **shown,
        )
        answer = await connection.post(metadata.token, form, headers)
        if answer.status >= 500:
            raise AwayError(f"the provider answered {answer.status} where it gives tokens")
        document = object_from(answer.body, "what the provider gave for the code")
        if answer.status != 200:
            why = document.get("error")
            # invalid_grant: used, expired, of somebody else. invalid_client: our secret is not the one it knows.
            raise NotTrueError(f"the provider gave nothing for the code: {why!r:.60}")
        token, access_token = document.get("id_token"), document.get("access_token", "")
        if not isinstance(token, str) or not isinstance(access_token, str) or len(access_token) > _LONGEST_TOKEN:
            raise NotTrueError("the provider gave no ID token for the code")
        return token, access_token

    async def _more(self, connection: Connection, place: str, access_token: str, subject: str) -> Mapping[str, Any]:
        if not access_token.isascii() or not access_token.isprintable():
            raise NotTrueError("the provider gave an access token that is none")
        document = await _read(
            connection, place, "what the provider tells of the person", {"Authorization": f"Bearer {access_token}"}
        )
        if document.get("sub") != subject:
            raise NotTrueError("the provider tells of somebody else than has signed in")
        return document


async def _read(
    connection: Connection, place: str, what: str, headers: Mapping[str, str] | None = None
) -> dict[str, Any]:
    answer = await connection.get(place, headers)
    if answer.status != 200:
        raise AwayError(f"the provider answered {answer.status} to {place[:200]}")
    return object_from(answer.body, what)
