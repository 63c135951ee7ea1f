"""`enter`: a person acts on the running gateway, through the socket by which the system says who that is."""

import argparse
from collections.abc import Callable, Mapping

from gateway.actions.entry import PRODUCT, QUANTITIES
from gateway.commands.operator.door_client import asked, tell_answer
from gateway.commands.operator.handover import handover_lines
from gateway.commands.output import write
from gateway.commands.which_gateway import chosen_gateway

__all__ = ["add_arguments", "execute"]

_EPILOG = """Who acts is the user who types it, as the system knows him; with sudo that is root. Root, the gateway's own
user and members of its group may. What is entered holds at once, stands in the ledger with who, when, why, before and
after, and is checked as the site file is. Where the site file gives the same, the newer `entered` is used. Which
product a tank holds the ledger tells after its first start, whatever the site file says.
Examples: tank-gateway enter list
          tank-gateway enter dip TK-101 9.412 m --water 35 mm --why "gauge LT-101 is out"
          tank-gateway enter density TK-101 838.2 kg/m3 --sampled 2026-11-28T06:00Z --expires 31 d
          tank-gateway enter product-change TK-101 gasoline --density 742 kg/m3 --expires 31 d --why refilled
          tank-gateway enter maintenance LT-101 --for 4 h --why "new antenna"
          tank-gateway enter shelve TK-101 high_high --for 2 h --why "gauge is being checked"
Each action has its own help: tank-gateway enter dip --help
Monitoring only: it moves no valve and stops no pump.
Exit codes: 0 done; 1 it could not be done; 2 typed wrongly, or the value was refused."""

Add = Callable[[argparse.ArgumentParser], None]
Read = Callable[[argparse.Namespace], dict[str, str | None]]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    actions = parser.add_subparsers(dest="action", metavar="ACTION", title="actions", required=True)
    for name, (add, read, summary, example) in _ACTIONS.items():
        action = actions.add_parser(
            name,
            help=summary,
            description=f"{summary[0].upper()}{summary[1:]}.",
            epilog=f"Example: tank-gateway enter {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        add(action)
        action.add_argument("--site", metavar="NAME", help="name of its site, where several run on this machine")
        action.add_argument("--process", metavar="NUMBER", type=int, help="number of its process, instead")
        action.add_argument("--json", action="store_true", help="print the answer for a program")
        action.set_defaults(read=read)


def execute(arguments: argparse.Namespace) -> int:
    request = {"action": arguments.action, **arguments.read(arguments)}
    found = chosen_gateway(arguments.site, arguments.process, "say which by --site or --process")
    answer = asked(found, {key: value for key, value in request.items() if value is not None})
    if request["action"] == "list" and answer["code"] == 0 and not arguments.json:
        write(*handover_lines(found.running.site, answer))
        return 0
    return tell_answer(answer, as_json=arguments.json)


# What is typed, by action. Quantities may be typed with a space: their words are joined.


def _why(parser: argparse.ArgumentParser, *, needed: bool = False) -> None:
    parser.add_argument("--why", metavar="TEXT", required=needed, help="the reason, for the audit trail")


def _tank(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("tank", metavar="TANK", help="tag of the tank")


def _dates(parser: argparse.ArgumentParser, when: str, until: str) -> None:
    parser.add_argument(f"--{when}", metavar="TIME", dest="entered", help="with its zone; now unless given")
    parser.add_argument("--expires", metavar="TIME", nargs="+", help=until)
    _why(parser)


def _add_dip(parser: argparse.ArgumentParser) -> None:
    _tank(parser)
    parser.add_argument("level", metavar="LEVEL", nargs="*", help="innage above the datum, for example 9.412 m")
    parser.add_argument("--water", metavar="LEVEL", nargs="+", help="free water, for example 35 mm")
    _dates(parser, "measured", "24 h unless given; at most 7 d where a gauge is fitted, else 31 d")


def _read_dip(arguments: argparse.Namespace) -> dict[str, str | None]:
    return {**_dated(arguments), "level": _joined(arguments.level), "water": _joined(arguments.water)}


def _add_temperature(parser: argparse.ArgumentParser) -> None:
    _tank(parser)
    parser.add_argument("value", metavar="TEMPERATURE", nargs="+", help="mean of the contents, for example 14.7 degC")
    _dates(parser, "measured", "for example 24 h; at most 7 d where a thermometer is fitted, else 31 d")


def _add_density(parser: argparse.ArgumentParser) -> None:
    _tank(parser)
    parser.add_argument("value", metavar="DENSITY", nargs="+", help="for example 838.2 kg/m3")
    parser.add_argument("--at", metavar="WHERE", nargs="+", help="reference (unless given), tank, or a temperature")
    parser.add_argument("--by", metavar="WHAT", help="hydrometer, of glass and not corrected for it; or density_meter")
    parser.add_argument("--made-for", metavar="TEMPERATURE", nargs="+", help="of a hydrometer")
    _dates(parser, "sampled", "at most 31 d, for example 31 d")


def _read_density(arguments: argparse.Namespace) -> dict[str, str | None]:
    more = {"at": _joined(arguments.at), "by": arguments.by, "made_for": _joined(arguments.made_for)}
    return {**_read_value(arguments), **more}


def _add_share(parser: argparse.ArgumentParser) -> None:
    _tank(parser)
    parser.add_argument("value", metavar="SHARE", nargs="+", help="of sediment and water, for example 0.3 %%")
    _dates(parser, "sampled", "at most 31 d, for example 31 d")


def _read_value(arguments: argparse.Namespace) -> dict[str, str | None]:
    return {**_dated(arguments), "value": _joined(arguments.value)}


def _dated(arguments: argparse.Namespace) -> dict[str, str | None]:
    return {
        "tank": arguments.tank,
        "entered": arguments.entered,
        "expires": _joined(arguments.expires),
        "why": arguments.why,
    }


def _add_product(parser: argparse.ArgumentParser) -> None:
    _tank(parser)
    parser.add_argument("product", metavar="PRODUCT", help="one of the products of the site file")
    parser.add_argument("--at", metavar="TIME", dest="effective", help="from when on, with its zone; now unless given")
    parser.add_argument("--density", metavar="DENSITY", nargs="+", help="of the new product, for example 745 kg/m3")
    parser.add_argument(
        "--density-at", metavar="WHERE", nargs="+", help="reference (unless given), tank, or a temperature"
    )
    parser.add_argument("--by", metavar="WHAT", help="hydrometer, of glass and not corrected for it; or density_meter")
    parser.add_argument("--made-for", metavar="TEMPERATURE", nargs="+", help="of a hydrometer")
    _dates(parser, "sampled", "of the density: at most 31 d, for example 31 d")


def _read_product(arguments: argparse.Namespace) -> dict[str, str | None]:
    return {
        **_dated(arguments),
        "product": arguments.product,
        "effective": arguments.effective,
        "density": _joined(arguments.density),
        "density_at": _joined(arguments.density_at),
        "density_by": arguments.by,
        "made_for": _joined(arguments.made_for),
    }


def _add_withdraw(parser: argparse.ArgumentParser) -> None:
    _tank(parser)
    words = [quantity.replace("_", "-") for quantity in (*QUANTITIES, PRODUCT)]
    parser.add_argument("quantity", metavar="WHAT", choices=words, help=f"one of {', '.join(words)}")
    _why(parser, needed=True)


def _read_withdraw(arguments: argparse.Namespace) -> dict[str, str | None]:
    return {"tank": arguments.tank, "quantity": arguments.quantity.replace("-", "_"), "why": arguments.why}


def _add_maintenance(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("instrument", metavar="INSTRUMENT", help="tag of the instrument")
    parser.add_argument("--for", metavar="TIME", nargs="+", required=True, dest="duration", help="at most 31 d")
    _why(parser, needed=True)


def _read_maintenance(arguments: argparse.Namespace) -> dict[str, str | None]:
    return {"instrument": arguments.instrument, "duration": _joined(arguments.duration), "why": arguments.why}


def _add_end(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("instrument", metavar="INSTRUMENT", help="tag of the instrument")
    _why(parser)


def _read_end(arguments: argparse.Namespace) -> dict[str, str | None]:
    return {"instrument": arguments.instrument, "why": arguments.why}


def _add_alarm(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("tank", metavar="TANK", help="tag of the tank, or `gateway` for an alarm of the gateway itself")
    parser.add_argument("alarm", metavar="ALARM", help="its name, for example high_high")
    _why(parser)


def _add_hidden(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("tank", metavar="TANK", help="tag of the tank, or `gateway` for an alarm of the gateway itself")
    parser.add_argument("alarm", metavar="ALARM", help="its name, for example high_high")
    parser.add_argument("--for", metavar="TIME", nargs="+", required=True, dest="duration", help="for example 2 h")
    _why(parser, needed=True)


def _read_alarm(arguments: argparse.Namespace) -> dict[str, str | None]:
    duration = _joined(getattr(arguments, "duration", None))
    return {"tank": arguments.tank, "alarm": arguments.alarm, "duration": duration, "why": arguments.why}


def _add_approval(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("request", metavar="NUMBER", help="that of the request; `enter list` shows what waits")
    _why(parser)


def _add_decline(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("request", metavar="NUMBER", help="that of the request; `enter list` shows what waits")
    _why(parser, needed=True)


def _read_decision(arguments: argparse.Namespace) -> dict[str, str | None]:
    return {"request": arguments.request, "why": arguments.why}


def _joined(words: list[str] | None) -> str | None:
    return " ".join(words) if words else None


_ACTIONS: Mapping[str, tuple[Add, Read, str, str]] = {
    "list": (
        lambda parser: None,
        lambda arguments: {},
        "show what is entered, in maintenance, shelved and open, for whoever takes over",
        "list",
    ),
    "dip": (_add_dip, _read_dip, "enter a level or free water by hand", "dip TK-101 9.412 m --water 35 mm"),
    "temperature": (
        _add_temperature,
        _read_value,
        "enter a temperature by hand",
        "temperature TK-101 14.7 degC --expires 24 h",
    ),
    "density": (
        _add_density,
        _read_density,
        "enter a density sample",
        "density TK-101 831.2 kg/m3 --at 24.5 degC --by hydrometer --expires 31 d",
    ),
    "sediment-water": (
        _add_share,
        _read_value,
        "enter sediment and water",
        "sediment-water TK-102 0.3 % --expires 31 d",
    ),
    "product-change": (
        _add_product,
        _read_product,
        "say that a tank holds another product, from now or another time on",
        'product-change TK-101 gasoline --density 745 kg/m3 --expires 31 d --why "cleaned and refilled"',
    ),
    "withdraw": (
        _add_withdraw,
        _read_withdraw,
        "take back what was entered",
        'withdraw TK-101 level --why "wrong tank"',
    ),
    "maintenance": (
        _add_maintenance,
        _read_maintenance,
        "say that somebody works on an instrument: what it says is Uncertain meanwhile",
        'maintenance LT-101 --for 4 h --why "new antenna"',
    ),
    "end-maintenance": (_add_end, _read_end, "say that nobody works on it any more", "end-maintenance LT-101"),
    "acknowledge": (_add_alarm, _read_alarm, "say that an alarm was seen", "acknowledge TK-101 high_high"),
    "shelve": (
        _add_hidden,
        _read_alarm,
        "take an alarm out of sight for a while",
        'shelve TK-101 high_high --for 2 h --why "gauge is being checked"',
    ),
    "unshelve": (_add_alarm, _read_alarm, "bring a shelved alarm back", "unshelve TK-101 high_high"),
    "out-of-service": (
        _add_hidden,
        _read_alarm,
        "take an alarm out of service for a while",
        'out-of-service TK-101 water_high --for 7 d --why "probe removed"',
    ),
    "in-service": (_add_alarm, _read_alarm, "return an alarm to service", "in-service TK-101 water_high"),
    "approve": (
        _add_approval,
        _read_decision,
        "have done what another person asked for, where the site asks for two",
        "approve 3",
    ),
    "decline": (
        _add_decline,
        _read_decision,
        "have it not done, or take back what you asked for",
        'decline 3 --why "wrong tank"',
    ),
}
"""What adds its arguments, what makes a request of them, what it does, and an example."""
