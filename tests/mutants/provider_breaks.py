"""Breaks of sign-in by a provider: each would let somebody in whom the provider, or the site file, has not let in."""

from tests.mutants.a_break import Break

__all__ = ["PROVIDER_BREAKS"]

TOKEN = "gateway/web/access/provider/id_token.py"
EXCHANGE = "gateway/web/access/provider/exchange.py"
CLAIMS = "gateway/web/access/provider/claims.py"
BY_PROVIDER = "gateway/web/access/by_provider.py"
GUESTS = "gateway/web/access/guests.py"
PROVIDED = ("tests/web/access/test_provider.py",)

PROVIDER_BREAKS: tuple[Break, ...] = (
    Break(
        "an algorithm of any kind counts",
        TOKEN,
        '    if header.get("alg") not in ALGORITHMS:\n',
        "    if False:\n",
        PROVIDED,
    ),
    Break("a token for others counts", TOKEN, '"aud": {"essential": True, "value": wanted.client},', "", PROVIDED),
    Break("a token of another sign-in counts", TOKEN, '{"nonce": wanted.nonce, "client_id"', '{"client_id"', PROVIDED),
    Break("whom it knew from before comes in", TOKEN, "if asked < wanted.begun - LEEWAY_S:", "if False:", PROVIDED),
    Break(
        "who gives the answer may be anybody",
        EXCHANGE,
        "if issuer is not None and issuer != plan.issuer:",
        "if False:",
        PROVIDED,
    ),
    Break(
        "a person of whom more is told may be another",
        EXCHANGE,
        'if document.get("sub") != subject:',
        "if False:",
        PROVIDED,
    ),
    Break("keys are kept whatever the token says", EXCHANGE, "(lacks and now_s", "(False and now_s", PROVIDED),
    Break("a value is looked for within another", CLAIMS, "if value in given)", "if value in str(given))", PROVIDED),
    Break(
        "the answer to another browser counts",
        BY_PROVIDER,
        'if not hmac.compare_digest(told.get("state", "")',
        'if False and not hmac.compare_digest(told.get("state", "")',
        PROVIDED,
    ),
    Break("an answer counts twice", BY_PROVIDER, "if going.state in self._done:", "if False:", PROVIDED),
    Break("sign-in begins anywhere", BY_PROVIDER, "if origin != plan.page:", "if False:", PROVIDED),
    Break("a name is whoever's comes by it", GUESTS, "if (known.issuer, known.subject) != who:", "if False:", PROVIDED),
    Break(
        "a code outlives what made its maker an administrator",
        "gateway/web/access/access.py",
        "        if guest is None:\n            return True\n",
        "        return True\n",
        PROVIDED,
    ),
    Break(
        "who is out goes on saying who comes in",
        "gateway/web/access/administration.py",
        "if not looked_at and not self.stands():",
        "if False:",
        ("tests/web/access/test_administrators.py",),
    ),
    Break(
        "who is out when his turn comes acts",
        "gateway/acting.py",
        "                    if not stands():\n",
        "                    if False:\n",
        ("tests/page_answers/test_out_meanwhile.py",),
    ),
    Break(
        "who is out when his turn comes has his papers kept",
        "gateway/desk/accounting.py",
        "            if not stands():\n",
        "            if False:\n",
        ("tests/page_answers/test_out_meanwhile.py",),
    ),
    Break(
        "a tank that came later makes a closed day worse",
        "gateway/account/days/close.py",
        "        tanks = _of_that_day(plan, last, tanks)\n",
        "        pass\n",
        ("tests/account/days/test_close.py",),
    ),
    Break(
        "a role outlives what the site file says",
        "gateway/web/access/access.py",
        "if plan is None or record.mark != mark_of(plan) or record.name not in self.people.guests:",
        "if record.name not in self.people.guests:",
        PROVIDED,
    ),
    Break(
        "a browser is sent wherever the provider says",
        "gateway/web/access/provider/documents.py",
        "if not isinstance(value, str) or not is_safe_address(value):",
        "if not isinstance(value, str):",
        PROVIDED,
    ),
    Break(
        "a document of any size is read",
        "gateway/web/access/provider/connection.py",
        "if len(read) > LARGEST_DOCUMENT:",
        "if False:",
        PROVIDED,
    ),
)
