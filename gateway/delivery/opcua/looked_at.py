"""What is wrong with the files of an OPC UA server, before it is begun: for whoever checks a site file."""

from datetime import timedelta
from importlib.util import find_spec

from gateway.clock import utc_now
from gateway.delivery.opcua.delivery import missing_part
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.opcua.users import UsersFileError, read_users
from gateway.errors import GatewayError
from gateway.files import trouble_with

if find_spec("cryptography") is not None:
    from gateway.delivery.opcua.certificates import Certificates, Found, end_of

__all__ = ["WARN_DAYS", "trouble_with_opcua", "trouble_with_own"]

WARN_DAYS = 60
"""Before a certificate ends, it is warned of."""


def trouble_with_opcua(plan: OpcuaPlan) -> list[str]:
    """Sentences. Blocking."""
    lacking = missing_part()
    if lacking is not None:
        return [lacking]
    found = []
    # What cannot be read is told where the site file is read.
    if plan.users_file is not None and trouble_with(plan.users_file) is None:
        try:
            if not read_users(plan.users_file) and not plan.anonymous:
                found.append(f"{plan.users_file} names nobody, so that nobody may read")
        except UsersFileError as error:
            found.append(f"{error}; nobody is let in until it is mended")
    certificates = Certificates(plan.certificates)
    try:
        certificates.check_own()
        own = certificates.own_certificate()
    except GatewayError as error:
        return [*found, f"{error}; without it nothing is served"]
    if own is not None:
        found += _ending("our own certificate", Found(certificates.own, own))
        if not certificates.key.exists():
            found.append(f"the key {certificates.key} is missing; another certificate is made at the start")
    for each in certificates.trusted():
        if each.certificate is None:
            found.append(f"{each.file} is no certificate; take it out of the folder")
        else:
            found += _ending("a trusted certificate", each)
    if own is not None and not certificates.trusted() and plan.security != ("None",):
        found.append(f"no certificate of a client is trusted yet: none lies in {certificates.folder / 'trusted'}")
    return found


def trouble_with_own(certificates: "Certificates") -> list[str]:
    """Of our own certificate, while it is served with. Blocking."""
    try:
        own = certificates.own_certificate()
    except GatewayError as error:
        return [str(error)]
    found = [] if own is None else _ending("our own certificate", Found(certificates.own, own))
    return [f"{each}; `tank-gateway delivery certificate SITE_FILE make` makes another" for each in found]


def _ending(what: str, given: "Found") -> list[str]:
    assert given.certificate is not None
    end, now = end_of(given.certificate), utc_now()
    if end < now:
        return [f"{what} has ended on {end:%Y-%m-%d}: {given.file}"]
    if end - now < timedelta(days=WARN_DAYS):
        return [f"{what} ends on {end:%Y-%m-%d}: {given.file}"]
    return []
