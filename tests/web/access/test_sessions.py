"""Sessions: random, kept as a hash, with ends, and no more than a person needs."""

from hypothesis import given
from hypothesis import strategies as st

from gateway.web.access.codes import code_key, new_code
from gateway.web.access.sessions import MOST_OF_ONE, Sessions, key_of, proof_of

DAY_S = 86_400.0


def _sessions() -> Sessions:
    return Sessions(idle_s=DAY_S / 2, longest_s=7 * DAY_S)


def test_a_session_ends_when_nobody_uses_it() -> None:
    sessions = _sessions()
    token = sessions.begin("anna", 0.0)
    assert sessions.find(token, DAY_S / 2 - 1) is not None
    assert sessions.find(token, DAY_S - 2) is not None, "it was used half a day before"
    assert sessions.find(token, 1.5 * DAY_S - 2) is None


def test_a_session_ends_at_its_longest_however_it_is_used() -> None:
    sessions = _sessions()
    token = sessions.begin("anna", 0.0)
    hours = [hour for hour in range(24 * 8) if sessions.find(token, hour * 3600.0) is not None]
    assert hours == list(range(24 * 7))


def test_looking_at_it_is_no_use_of_it() -> None:
    sessions = _sessions()
    token = sessions.begin("anna", 0.0)
    assert all(sessions.goes_on(key_of(token), hour * 3600.0) for hour in range(12))
    assert not sessions.goes_on(key_of(token), DAY_S / 2)


def test_tokens_have_256_bits_and_only_their_hash_is_kept() -> None:
    sessions = _sessions()
    tokens = {sessions.begin(f"name {number}", 0.0) for number in range(200)}
    assert len(tokens) == 200
    assert {len(token) for token in tokens} == {43}, "32 bytes in base 64 without padding"
    kept = str(sessions.records)
    assert not [token for token in tokens if token in kept or proof_of(token) in kept]
    assert {key_of(token) for token in tokens} == set(sessions.records)


def test_the_proof_is_of_its_session_alone_and_no_token() -> None:
    sessions = _sessions()
    one, other = sessions.begin("anna", 0.0), sessions.begin("anna", 0.0)
    assert proof_of(one) != proof_of(other)
    assert proof_of(one) == proof_of(one)
    assert sessions.find(proof_of(one), 0.0) is None


def test_of_too_many_the_one_used_least_lately_ends() -> None:
    sessions = _sessions()
    tokens = [sessions.begin("anna", float(number)) for number in range(MOST_OF_ONE)]
    other = sessions.begin("bo", 0.0)
    sessions.find(tokens[0], 100.0)
    newest = sessions.begin("anna", 101.0)
    assert sessions.find(tokens[1], 102.0) is None
    assert all(sessions.find(token, 102.0) for token in (tokens[0], *tokens[2:], newest, other))


def test_a_session_of_a_clock_that_was_far_ahead_has_ended() -> None:
    sessions = _sessions()
    token = sessions.begin("anna", 100 * DAY_S)
    assert sessions.find(token, 0.0) is None
    ahead = sessions.begin("anna", 600.0)
    assert sessions.find(ahead, 0.0) is not None, "ten minutes are a clock that was put right"


def test_what_has_ended_is_forgotten() -> None:
    sessions = _sessions()
    sessions.begin("anna", 0.0)
    token = sessions.begin("bo", DAY_S)
    sessions.tidy(DAY_S)
    assert set(sessions.records) == {key_of(token)}


@given(st.text(max_size=300))
def test_nothing_but_a_token_finds_one(text: str) -> None:
    sessions = _sessions()
    sessions.begin("anna", 0.0)
    assert sessions.find(text, 0.0) is None


def test_codes_have_128_bits_and_may_be_typed_as_people_do() -> None:
    codes = {new_code() for _ in range(200)}
    assert len(codes) == 200
    assert all(len(code.replace("-", "")) == 26 for code in codes), "26 characters of 5 bits hold 128"
    assert not set("".join(codes)) & set("ILOU"), "no letter that is read for a digit, or makes words"
    code = "0123A-BCDEF-GHJKM-NPQRS-TVWXYZ"
    assert code_key(" o123a bcdef-ghjkmnpqrs tvwxyz ") == code_key("ol23abcdefghjkmnpqrstvwxyz") == code_key(code)
    assert code_key(code) != code_key(code[:-1] + "0")
