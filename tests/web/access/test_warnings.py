"""What `check` says of who may come: of a site that others reach, of certificates and tokens."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import trustme

from gateway.person import Role
from gateway.settings import load_site
from tests.commands.typed import typed

FOLDER = Path(__file__).parents[2] / "invalid_site_files"
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
Capture = pytest.CaptureFixture[str]


def _site(folder: Path, web: str) -> Path:
    path = folder / "site.yaml"
    parts = f"include_from: {FOLDER}\ninclude: [{FOLDER}/parts/yard.yaml, {FOLDER}/parts/tank.yaml]\n"
    path.write_text(f"{parts}web: {{{web}}}\n", "utf-8")
    return path


def _pair(folder: Path, until: datetime | None = None) -> None:
    made = trustme.CA().issue_cert("tanks.example", not_after=until)
    made.private_key_pem.write_to_path(folder / "key.pem")
    (folder / "key.pem").chmod(0o600)
    made.cert_chain_pems[0].write_to_path(folder / "web.pem")


@pytest.mark.parametrize(
    ("web", "says"),
    [
        ("address: 127.0.0.1:9109", []),
        ("address: 0.0.0.0:9109", ["passwords go there unencrypted"]),
        ("address: 0.0.0.0:9109, trusted_proxy: 192.0.2.5", []),
        ("address: 0.0.0.0:9109, tls: {certificate: web.pem, key: key.pem}", []),
        (
            "address: 0.0.0.0:9109, view_without_sign_in: yes",
            ["sees every tank without signing in", "passwords go there unencrypted"],
        ),
        ("address: 127.0.0.1:9109, trusted_proxy: 127.0.0.1", ["nobody looks without signing in"]),
        ("address: 127.0.0.1:9109, trusted_proxy: 127.0.0.1, view_without_sign_in: no", []),
        ("address: 127.0.0.1:9109, tokens: [{name: a, secret_file: none}]", ["there is no file"]),
    ],
)
def test_a_site_that_others_reach_is_warned_of_what_it_lacks(tmp_path: Path, web: str, says: list[str]) -> None:
    _pair(tmp_path)
    warnings = load_site(_site(tmp_path, web), now=NOW).warnings
    assert len(warnings) == len(says)
    for warning, words in zip(warnings, says, strict=True):
        assert words in warning
        assert ": web." in warning


def test_what_can_be_used_and_soon_cannot_is_said_by_check(capsys: Capture, tmp_path: Path) -> None:
    (tmp_path / "token").write_text("short", "ascii")
    (tmp_path / "token").chmod(0o600)
    tls = "tls: {certificate: web.pem, key: key.pem}"
    site = _site(tmp_path, f"address: 0.0.0.0:9109, {tls}, tokens: [{{name: prometheus, secret_file: token}}]")
    _pair(tmp_path, datetime.now(UTC) + timedelta(days=9))
    said = typed(capsys, "check", str(site))
    assert said.code == 0
    assert "web.tls: the certificate" in said.out
    assert "ends in 8 d" in said.out
    assert "web.tokens:" in said.out
    assert "20 characters of ASCII at least" in said.out
    (tmp_path / "web.pem").write_text("nothing", "ascii")
    assert "there is no certificate in it" in typed(capsys, "check", str(site)).out
    _pair(tmp_path)
    (tmp_path / "token").write_text("a-token-for-a-scraper", "ascii")
    assert "web." not in typed(capsys, "check", str(site)).out


PROVIDER = (
    "sign_in_by: {name: works, issuer: https://login.example/works, client: tanks, role_claim: groups, "
    "page: 'https://TANKS.example:443/', roles: [{value: a, role: operator}, {value: b, role: viewer}]"
)


def test_a_provider_is_read_as_it_is_meant(tmp_path: Path) -> None:
    _pair(tmp_path)
    tls = "address: 0.0.0.0:443, names: [tanks.example], tls: {certificate: web.pem, key: key.pem}"
    settings = load_site(_site(tmp_path, f"{tls}, {PROVIDER}}}"), now=NOW)
    assert settings.http is not None
    plan = settings.http.access.provider
    assert plan is not None
    # As a browser writes an origin: RFC 6454, small letters, no port that goes without saying.
    assert plan.page == "https://tanks.example"
    assert plan.roles == (("a", Role.OPERATOR), ("b", Role.VIEWER))
    assert (plan.scopes, plan.name_claim, plan.asks_each_time) == (("profile",), "preferred_username", True)
    assert settings.warnings == ()


def test_what_a_provider_lacks_is_said_by_check(capsys: Capture, tmp_path: Path) -> None:
    _pair(tmp_path)
    (tmp_path / "secret").write_text("", "ascii")
    (tmp_path / "secret").chmod(0o600)
    (tmp_path / "ca.pem").write_text("no certificate", "ascii")
    tls = "address: 127.0.0.1:9109, names: [tanks.example]"
    site = _site(tmp_path, f"{tls}, {PROVIDER}, secret_file: secret}}")
    assert "web.sign_in_by: " in (said := typed(capsys, "check", str(site))).out
    assert "holds no secret" in said.out
    assert said.code == 0
    site = _site(tmp_path, f"{tls}, {PROVIDER}, ca: ca.pem}}")
    assert "holds no certificate in PEM form" in typed(capsys, "check", str(site)).out
    site = _site(tmp_path, f"{tls}, {PROVIDER}, ca: none.pem}}")
    assert "there is no file" in typed(capsys, "check", str(site)).out
    assert "web.sign_in_by: " not in typed(capsys, "check", str(_site(tmp_path, f"{tls}, {PROVIDER}}}"))).out
