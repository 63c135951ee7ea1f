"""`delivery: postgresql:` of a site file: what becomes of each key, and what is warned of."""

from pathlib import Path

import pytest

import gateway.delivery.postgresql.delivery as postgresql
from gateway.delivery.plan import TlsPlan
from gateway.delivery.postgresql.plan import PostgresqlPlan
from tests.commands.typed import typed
from tests.settings.yard import PARTS, load

HEAD = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"
SHORT = "{address: 127.0.0.1:5432, database: plant, user_name: gateway}"


def test_what_is_given_and_what_is_not(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("x")
    (tmp_path / "secret").chmod(0o600)
    (tmp_path / "ca.pem").write_text("x")
    full = (
        "{name: office, address: db.example:5433, database: Stock 1, user_name: g w, password_file: secret, "
        "tls: {ca: ca.pem}, schema_name: site_1, batch: 5000, gather: 2 s, timeout: 3 s, backoff_first: 1 s, "
        "backoff_longest: 2 min}"
    )
    found = load(tmp_path, f"{HEAD}delivery:\n  postgresql: [{SHORT}, {full}]\n")
    assert found.warnings == ()
    assert found.deliveries == (
        PostgresqlPlan("127.0.0.1", 5432, "plant", "gateway"),
        PostgresqlPlan(
            "db.example",
            5433,
            "Stock 1",
            "g w",
            tmp_path / "secret",
            TlsPlan(tmp_path / "ca.pem"),
            "site_1",
            5000,
            2.0,
            3.0,
            1.0,
            120.0,
            "office",
        ),
    )
    assert [plan.name for plan in found.deliveries] == ["postgresql:127.0.0.1:5432", "office"]


def test_another_machine_without_tls_is_warned_of(tmp_path: Path) -> None:
    text = SHORT.replace("127.0.0.1", "192.0.2.7")
    (warning,) = load(tmp_path, f"{HEAD}delivery: {{postgresql: {text}}}\n").warnings
    assert warning.endswith(
        "delivery.postgresql.address: 192.0.2.7 is another machine and everything goes there unencrypted; give tls"
    )


def test_check_says_that_the_library_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    site = tmp_path / "site.yaml"
    site.write_text(f"{HEAD}delivery: {{postgresql: {SHORT}}}\n")
    assert "asyncpg" not in typed(capsys, "check", str(site)).out
    monkeypatch.setattr(postgresql, "find_spec", lambda _: None)
    said = typed(capsys, "check", str(site))
    assert said.code == 0
    assert (
        f"warning: {site}: delivery.postgresql: asyncpg is not installed, so that nothing goes to PostgreSQL; "
        "pip install 'tank-gateway[postgresql]'"
    ) in said.out.splitlines()
