"""Notification by e-mail: from the site file to its frozen plan."""

from gateway.delivery.mail.plan import MailPlan
from gateway.delivery.plan import TlsPlan
from gateway.settings.deliveries.models import MailModel
from gateway.settings.deliveries.surroundings import Reading, check_one_secret, is_loopback
from gateway.settings.reading.document import KeyPath
from gateway.settings.reading.yaml_tree import MappingNode
from gateway.tank_state import Priority

__all__ = ["mail_plan"]

_FEWEST, _MOST = 2, 1000
_LONGEST_GATHER_S = 300.0


def mail_plan(model: MailModel, path: KeyPath, reading: Reading) -> MailPlan:
    """One server and the people it writes to."""
    _check(model, path, reading)
    host, port = model.address
    tls = None
    if model.encryption != "none":
        tls = TlsPlan() if model.tls is None else reading.tls(model.tls, host, path)
    return MailPlan(
        host=host,
        port=port,
        sender=model.sender,
        to=model.to,
        escalate_to=model.escalate_to,
        priorities=tuple(each for each in Priority if each.value in model.priorities),
        tanks=model.tanks,
        when_over=model.when_over,
        still_alive=model.still_alive,
        encryption=model.encryption,
        tls=tls,
        user_name=model.user_name,
        password_file=reading.file(model.password_file, (*path, "password_file")),
        password_variable=model.password_variable,
        gather_s=model.gather,
        most_per_hour=model.most_per_hour,
        timeout_s=model.timeout,
        backoff_first_s=model.backoff_first,
        backoff_longest_s=model.backoff_longest,
        given_name=model.name,
    )


def _check(model: MailModel, path: KeyPath, reading: Reading) -> None:
    mistakes, host = reading.mistakes, model.address[0]
    for key in ("to", "priorities"):
        if not getattr(model, key):
            mistakes.add((*path, key), f"is empty; give {'shift@depot.example' if key == 'to' else 'now, soon'}")
    if not _FEWEST <= model.most_per_hour <= _MOST:
        text = f"{model.most_per_hour} is no fit number of mails in an hour; give {_FEWEST} to {_MOST}"
        mistakes.add((*path, "most_per_hour"), text)
    if model.gather > _LONGEST_GATHER_S:
        text = f"{model.gather:g} s is too long to keep an alarm from people; give up to {_LONGEST_GATHER_S:g} s"
        mistakes.add((*path, "gather"), text)
    check_one_secret(model.password_file, model.password_variable, "password", path, reading)
    if model.user_name is None and (model.password_file or model.password_variable):
        mistakes.add((*path, "user_name"), "is missing; a password goes with a user name")
    if model.encryption == "none":
        if model.tls is not None:
            mistakes.add((*path, "tls"), "goes with `encryption: starttls` or tls; leave out one of the two")
        if not is_loopback(host):
            what = "mails and password go" if model.user_name is not None else "everything goes"
            text = f"{host} is another machine and {what} there unencrypted; write starttls or tls"
            reading.manual.warn((*path, "encryption"), text)
    if not model.escalate_to:
        text = "names nobody for what is not acknowledged in its time; give `escalate_to`, else `to` is told once more"
        reading.manual.warn(path, text)
    if model.still_alive is None:
        text = "is off, so that silence means nothing: nobody sees that mail does not work any more"
        reading.manual.warn((*path, "still_alive"), text)
    tanks = reading.document.node(("tanks",))
    known = set(tanks.items) if isinstance(tanks, MappingNode) else set()
    for index, tank in enumerate(model.tanks):
        if tank not in known:
            mistakes.add((*path, "tanks", index), f"there is no tank '{tank}'")
