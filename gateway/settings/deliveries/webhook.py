"""Webhooks: from the site file to their frozen plans."""

from urllib.parse import SplitResult, urlsplit

from gateway.delivery.plan import TlsPlan
from gateway.delivery.webhook.plan import WebhookPlan
from gateway.settings.deliveries.models import WebhookModel
from gateway.settings.deliveries.surroundings import Reading, check_one_secret, is_loopback
from gateway.settings.reading.document import KeyPath

__all__ = ["webhook_plan"]

_MOST_TOGETHER = 500


def webhook_plan(model: WebhookModel, path: KeyPath, reading: Reading) -> WebhookPlan | None:
    """One address; None where that is none."""
    _check(model, path, reading)
    parts = _address(model.url, path, reading)
    if parts is None:
        return None
    tls = None
    if parts.scheme == "https":
        tls = TlsPlan() if model.tls is None else reading.tls(model.tls, parts.hostname or "", path)
    return WebhookPlan(
        url=model.url,
        secret=model.secret,
        secret_file=reading.file(model.secret_file, (*path, "secret_file")),
        secret_variable=model.secret_variable,
        tls=tls,
        together=model.together,
        timeout_s=model.timeout,
        backoff_first_s=model.backoff_first,
        backoff_longest_s=model.backoff_longest,
        given_name=model.name,
    )


def _address(url: str, path: KeyPath, reading: Reading) -> SplitResult | None:
    key = (*path, "url")
    try:
        parts = urlsplit(url)
        well = parts.scheme in ("https", "http") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        parts, well = SplitResult("", "", "", "", ""), False
    if not well or not url.isascii() or not url.isprintable() or " " in url:
        text = f"'{url}' is not an address of the web; write for example https://office.example/tank-events"
        reading.mistakes.add(key, text)
        return None
    if parts.username is not None or parts.password is not None:
        # Not quoted: it has a secret in it.
        reading.mistakes.add(key, "has a user or a password in it; give `secret` and `secret_file`")
        return None
    if "#" in url:
        reading.mistakes.add(key, f"'{url}' has a part behind #, which is never sent; leave it out")
        return None
    return parts


def _check(model: WebhookModel, path: KeyPath, reading: Reading) -> None:
    mistakes = reading.mistakes
    if not 1 <= model.together <= _MOST_TOGETHER:
        mistakes.add((*path, "together"), f"{model.together} events in one request; give 1 to {_MOST_TOGETHER}")
    check_one_secret(model.secret_file, model.secret_variable, "secret", path, reading)
    has_secret = bool(model.secret_file or model.secret_variable)
    if model.secret != "none" and not has_secret:
        mistakes.add((*path, "secret_file"), f"is missing; `secret: {model.secret}` goes with a secret")
    if model.secret == "none" and has_secret:
        mistakes.add((*path, "secret"), "is missing; write bearer or signature, else the secret is not used")
    if model.url.startswith("http:"):
        if model.tls is not None:
            mistakes.add((*path, "tls"), "goes with an https address; leave out one of the two")
        try:
            host = urlsplit(model.url).hostname or ""
        except ValueError:
            return
        if host and not is_loopback(host):
            what = "events and secret go" if model.secret == "bearer" else "everything goes"
            text = f"{host} is another machine and {what} there unencrypted; write https"
            reading.manual.warn((*path, "url"), text)
