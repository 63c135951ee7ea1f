"""`delivery: mail:` and `webhook:` of a site file: what becomes of each key, and what is warned of."""

from datetime import time
from pathlib import Path

import pytest

import gateway.delivery.mail.delivery as mail
import gateway.delivery.webhook.delivery as webhook
from gateway.delivery.mail.plan import MailPlan
from gateway.delivery.plan import TlsPlan
from gateway.delivery.webhook.plan import WebhookPlan
from gateway.tank_state import Priority
from tests.commands.typed import typed
from tests.settings.yard import PARTS, load

HEAD = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"
MAIL = "address: 127.0.0.1:25, sender: g@depot.example, to: s@depot.example"
SHORT = f"{{{MAIL}, escalate_to: c@depot.example}}"


def secrets_in(folder: Path) -> None:
    (folder / "secret").write_text("x")
    (folder / "secret").chmod(0o600)
    (folder / "ca.pem").write_text("x")


def test_what_is_given_of_mail_and_what_is_not(tmp_path: Path) -> None:
    secrets_in(tmp_path)
    full = (
        "{name: shift, address: mail.example:465, encryption: tls, tls: {ca: ca.pem}, user_name: g, "
        "password_file: secret, sender: g@depot.example, to: [a@depot.example, b@depot.example], "
        "escalate_to: [c@depot.example], priorities: [look, now], tanks: [TK-1], when_over: no, still_alive: 18:30, "
        "gather: 2 s, most_per_hour: 10, timeout: 3 s, backoff_first: 1 s, backoff_longest: 4 min}"
    )
    found = load(tmp_path, f"{HEAD}delivery:\n  mail: [{SHORT}, {full}]\n")
    assert found.warnings == ()
    assert found.deliveries == (
        MailPlan("127.0.0.1", 25, "g@depot.example", ("s@depot.example",), ("c@depot.example",)),
        MailPlan(
            "mail.example",
            465,
            "g@depot.example",
            ("a@depot.example", "b@depot.example"),
            ("c@depot.example",),
            (Priority.NOW, Priority.LOOK),
            ("TK-1",),
            False,
            time(18, 30),
            "tls",
            TlsPlan(tmp_path / "ca.pem"),
            "g",
            tmp_path / "secret",
            None,
            2.0,
            10,
            3.0,
            1.0,
            240.0,
            "shift",
        ),
    )
    assert [plan.name for plan in found.deliveries] == ["mail:127.0.0.1:25", "shift"]


def test_what_is_given_of_a_webhook_and_what_is_not(tmp_path: Path) -> None:
    secrets_in(tmp_path)
    full = (
        "{name: duty, url: 'https://office.example:8443/a?b', secret: signature, secret_file: secret, "
        "tls: {ca: ca.pem}, together: 500, timeout: 3 s, backoff_first: 1 s, backoff_longest: 2 min}"
    )
    by_variable = "{name: other, url: 'https://office.example/b', secret: bearer, secret_variable: WORD}"
    short = "{url: 'http://127.0.0.1/events'}"
    found = load(tmp_path, f"{HEAD}delivery:\n  webhook: [{short}, {full}, {by_variable}]\n")
    assert found.warnings == ()
    assert found.deliveries == (
        WebhookPlan("http://127.0.0.1/events"),
        WebhookPlan(
            "https://office.example:8443/a?b",
            "signature",
            tmp_path / "secret",
            None,
            TlsPlan(tmp_path / "ca.pem"),
            500,
            3.0,
            1.0,
            120.0,
            given_name="duty",
        ),
        WebhookPlan("https://office.example/b", "bearer", None, "WORD", TlsPlan(), given_name="other"),
    )
    assert [plan.name for plan in found.deliveries] == ["webhook:127.0.0.1:80", "duty", "other"]


@pytest.mark.parametrize(
    ("delivery", "warning"),
    [
        (f"mail: {{{MAIL}}}", "delivery.mail: names nobody for what is not acknowledged in its time; "),
        (
            SHORT.replace("{", "mail: {").replace("escalate_to", "still_alive: no, escalate_to"),
            "delivery.mail.still_alive: is off, so that silence means nothing: ",
        ),
        (
            SHORT.replace("{", "mail: {encryption: none, ").replace("127.0.0.1", "192.0.2.7"),
            "delivery.mail.encryption: 192.0.2.7 is another machine and everything goes there unencrypted; ",
        ),
        (
            SHORT.replace("{", "mail: {encryption: none, user_name: g, ").replace("127.0.0.1", "192.0.2.7"),
            "delivery.mail.encryption: 192.0.2.7 is another machine and mails and password go there unencrypted; ",
        ),
        (
            "webhook: {url: 'http://192.0.2.7/x'}",
            "delivery.webhook.url: 192.0.2.7 is another machine and everything goes there unencrypted; write https",
        ),
        (
            "webhook: {url: 'http://192.0.2.7/x', secret: bearer, secret_variable: W}",
            "delivery.webhook.url: 192.0.2.7 is another machine and events and secret go there unencrypted; ",
        ),
    ],
)
def test_what_is_warned_of(tmp_path: Path, delivery: str, warning: str) -> None:
    (found,) = load(tmp_path, f"{HEAD}delivery: {{{delivery}}}\n").warnings
    assert warning in found


@pytest.mark.parametrize("delivery", [f"mail: {SHORT}", "webhook: {url: 'https://office.example/x'}"])
def test_without_a_ledger_nothing_is_told_which_is_warned_of(tmp_path: Path, delivery: str) -> None:
    found = load(tmp_path, f"{HEAD}ledger: {{enabled: no}}\ndelivery: {{{delivery}}}\n").warnings
    assert any("takes history alone" in each for each in found)


@pytest.mark.parametrize(
    ("module", "delivery", "lacking"),
    [
        (mail, f"mail: {SHORT}", "delivery.mail: aiosmtplib is not installed, so that no mail is sent; "),
        (
            webhook,
            "webhook: {url: 'https://office.example/x'}",
            "delivery.webhook: httpx is not installed, so that nothing goes to the webhook; ",
        ),
    ],
)
def test_check_says_that_the_library_is_not_there(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    module: object,
    delivery: str,
    lacking: str,
) -> None:
    site = tmp_path / "site.yaml"
    site.write_text(f"{HEAD}delivery: {{{delivery}}}\n")
    assert "is not installed" not in typed(capsys, "check", str(site)).out
    monkeypatch.setattr(module, "find_spec", lambda _: None)
    said = typed(capsys, "check", str(site))
    assert said.code == 0
    assert f"warning: {site}: {lacking}" in said.out


def test_check_says_that_a_secret_cannot_be_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site, word = tmp_path / "site.yaml", tmp_path / "secret"
    word.write_bytes(b"\xff\xfe")
    word.chmod(0o600)
    text = "{url: 'https://office.example/x', secret: bearer, secret_file: secret}"
    site.write_text(f"{HEAD}delivery: {{webhook: {text}}}\n")
    said = typed(capsys, "check", str(site)).out
    assert "without it office.example:443 gets nothing" in said
