"""What is read from disk to ask a provider: the secret of our client, and whom TLS trusts."""

import os
import ssl

from gateway.errors import GatewayError
from gateway.files import UnreadableError, read_text
from gateway.web.access.provider.plan import ProviderPlan

__all__ = ["Means", "means_of", "provider_trouble"]

_LARGEST_SECRET = 4_096
_LARGEST_CA = 4_000_000

Means = tuple[str | None, ssl.SSLContext]


def means_of(plan: ProviderPlan) -> Means:
    """Blocks, on a dead network drive for ever. Raises GatewayError that names what cannot be used."""
    return _secret(plan), _trust(plan)


def provider_trouble(plan: ProviderPlan) -> str | None:
    """Why nobody can sign in by it, as the files are now; None where nothing is in the way."""
    try:
        means_of(plan)
    except GatewayError as error:
        return str(error)
    return None


def _secret(plan: ProviderPlan) -> str | None:
    if plan.secret_file is not None:
        try:
            secret, where = read_text(plan.secret_file, _LARGEST_SECRET).rstrip("\r\n"), str(plan.secret_file)
        except UnreadableError as error:
            raise GatewayError(f"secret file {error}") from error
    elif plan.secret_variable is not None:
        secret, where = os.environ.get(plan.secret_variable, ""), f"the environment variable {plan.secret_variable}"
    else:
        return None
    if not secret or not secret.isascii() or not secret.isprintable():
        raise GatewayError(f"{where} holds no secret of printable ASCII")
    return secret


def _trust(plan: ProviderPlan) -> ssl.SSLContext:
    try:
        text = None if plan.ca is None else read_text(plan.ca, _LARGEST_CA)
        return ssl.create_default_context(cadata=text)
    except UnreadableError as error:
        raise GatewayError(f"CA file {error}") from error
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        raise GatewayError(f"CA file {plan.ca} holds no certificate in PEM form") from error
