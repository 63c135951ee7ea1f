"""Breaks of who may come: each would let somebody in who should not be, keep somebody out, or lose who is here."""

from tests.mutants.a_break import Break

__all__ = ["ACCESS_BREAKS"]

ACCESS = "gateway/web/access/access.py"
GUARD = "gateway/web/access/guard.py"
PEOPLE = "gateway/web/access/people.py"
SESSIONS = "gateway/web/access/sessions.py"
WAITS = "gateway/web/access/waits.py"
GUARDED = ("tests/web/access/test_guard.py",)
SIGNED = ("tests/web/access/test_sign_in.py",)
KEPT = ("tests/web/access/test_people_file.py",)
OPENED = ("tests/web/access/test_sessions.py",)
WAITED = ("tests/web/access/test_waits.py",)

ACCESS_BREAKS: tuple[Break, ...] = (
    Break(
        "the cookie alone acts",
        GUARD,
        'if not _same(headers.get(PROOF_HEADER, ""), proof_of(token)):',
        "if False:",
        GUARDED,
    ),
    Break(
        "a page of a stranger acts",
        GUARD,
        "if (refusal := _not_ours(headers, asked) or _unfit_body(headers, path)) is not None:",
        "if (refusal := _unfit_body(headers, path)) is not None:",
        GUARDED,
    ),
    Break(
        "any type of body acts",
        GUARD,
        'if has_body and headers.get("content-type"',
        'if False and headers.get("content-type"',
        GUARDED,
    ),
    Break(
        "a body in pieces has no bounds",
        GUARD,
        "            if size > largest:\n",
        "            if False:\n",
        GUARDED,
    ),
    Break(
        "the audit trail is for viewers",
        GUARD,
        '_NEEDS = {"/api/1/changes": READ_CHANGES, ',
        "_NEEDS = {",
        GUARDED,
    ),
    Break(
        "an answer outlives its session",
        GUARD,
        "            return self._access.goes_on(seen.key)\n",
        "            return True\n",
        GUARDED,
    ),
    Break(
        "whoever writes a header is whom he says",
        "gateway/web/access/asking.py",
        "if trusted_proxy is not None and address is not None and _is_in(address, trusted_proxy):",
        "if trusted_proxy is not None and address is not None:",
        ("tests/web/access/test_asking.py",),
    ),
    Break(
        "what a proxy passes on is of this machine",
        "gateway/web/access/asking.py",
        "own.is_loopback and not is_forwarded",
        "own.is_loopback",
        ("tests/web/access/test_asking.py",),
    ),
    Break(
        "the session before goes on beside the new one",
        ACCESS,
        "            self.sessions.end(before)\n",
        "            pass\n",
        SIGNED,
    ),
    Break(
        "a code is good for ever",
        ACCESS,
        "if invitation is None or invitation.until <= self.now or",
        "if invitation is None or",
        SIGNED,
    ),
    Break(
        "a code is good twice",
        ACCESS,
        "            rest = {each: one for each, one in invitations.items() if each != key}\n",
        "            rest = dict(invitations)\n",
        SIGNED,
    ),
    Break(
        "a name that nobody has takes no work",
        ACCESS,
        "        return await self.passwords.matches(None if account is None else account.password, password)\n",
        "        return account is not None and await self.passwords.matches(account.password, password)\n",
        SIGNED,
    ),
    Break(
        "nobody waits for the right moment",
        ACCESS,
        "        if wait_s > 0.0:\n",
        "        if False:\n",
        SIGNED,
    ),
    Break(
        "attempts at once are not counted until they have failed",
        ACCESS,
        "        self.waits.begin(name, peer, self.monotonic_s)\n        return await self.passwords.matches(None",
        "        return await self.passwords.matches(None",
        SIGNED,
    ),
    Break(
        "who is removed stays signed in",
        PEOPLE,
        "            self.sessions.end_of(name)\n",
        "            pass\n",
        SIGNED,
    ),
    Break(
        "a change holds before it is on the disk",
        PEOPLE,
        "            future = self._write(changed)\n            self._late",
        "            self._take(changed)\n            future = self._write(changed)\n            self._late",
        KEPT,
    ),
    Break(
        "what was on its way brings back who was removed",
        PEOPLE,
        "                changed = make(late.accounts, late.invitations)\n",
        "                changed = late\n",
        KEPT,
    ),
    Break(
        "a damaged file of people is empty",
        "gateway/web/access/people_file.py",
        "            return book_from(text)\n",
        "            return book_from(text)\n        except ValueError:\n            return Book({}, {}, {})\n"
        "        except GatewayError:\n            return Book({}, {}, {})\n",
        KEPT,
    ),
    Break("no session ends unused", SESSIONS, "now - record.seen < self.idle_s and", "True and", OPENED),
    Break("no session ends at all", SESSIONS, " and now - record.begun < self.longest_s", "", OPENED),
    Break(
        "the token itself is kept",
        SESSIONS,
        'return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()',
        "return token or hashlib.sha256().hexdigest()",
        OPENED,
    ),
    Break(
        "whoever guesses a name keeps its owner out",
        WAITS,
        "_left(self._pairs, (name, peer), free, LONGEST_OF_PAIR_S, now_s)",
        "_left(self._names, name, free, LONGEST_OF_PAIR_S, now_s)",
        WAITED,
    ),
    Break("waits do not grow", WAITS, "_FIRST_S * 2.0 ** min(beyond, 20)", "_FIRST_S * 2.0 ** min(beyond, 0)", WAITED),
    Break(
        "what is tried is kept for ever",
        WAITS,
        "        while len(counts) > self._most:\n",
        "        while False:\n",
        WAITED,
    ),
    Break(
        "a password is cut",
        "gateway/process/passwords.py",
        'return password.encode("utf-8", "surrogatepass")',
        'return password.encode("utf-8", "surrogatepass")[:72]',
        ("tests/web/access/test_passwords.py",),
    ),
    Break(
        "any number wait for argon2",
        "gateway/process/passwords.py",
        "        if self._waiting >= _MOST_WAITING:\n",
        "        if False:\n",
        ("tests/web/access/test_passwords.py",),
    ),
    Break(
        "half of a new pair is served",
        "gateway/web/access/tls.py",
        '            return\n        self._refused = ""\n',
        '            self._loaded = None\n            return\n        self._refused = ""\n',
        ("tests/web/access/test_tls.py",),
    ),
    Break(
        "a silent handshake has a place of its own",
        "gateway/web/tls_door.py",
        "                if not self._room.enter(greeting):\n",
        "                if False:\n",
        ("tests/web/access/test_tls.py",),
    ),
)
