"""Which of the gateways that run on this machine is meant."""

from gateway.errors import GatewayError, UsageError
from gateway.process.running import Found, found_gateways

__all__ = ["chosen_gateway"]

_NOBODY = "start one with `tank-gateway run SITE`"


def chosen_gateway(site: str | None, process: int | None, say_which: str) -> Found:
    """`say_which`: how, where several run. Raises GatewayError where there is none, UsageError where several are."""
    running = found_gateways()
    found = [each for each in running if site in (None, each.running.site) and process in (None, each.running.pid)]
    if not found:
        which = "" if site is None else f" of site '{site}'"
        which += "" if process is None else f" as process {process}"
        there = ", ".join(each.running.site for each in running)
        error = GatewayError(f"no gateway{which} runs on this machine")
        error.hint = f"there is one of {there}" if there else _NOBODY
        raise error
    if len(found) > 1:
        listed = ", ".join(f"{each.running.site} (process {each.running.pid})" for each in found)
        raise UsageError("several gateways run on this machine", f"{say_which}: {listed}")
    return found[0]
