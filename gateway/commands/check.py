"""`check`: every mistake of a site file at once, or what the file describes."""

import argparse

from gateway.commands.output import write, write_json
from gateway.commands.site_argument import add_site, load
from gateway.display import printable
from gateway.errors import SettingsError
from gateway.settings.site import SiteSettings

__all__ = ["add_arguments", "execute"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_site(parser)
    parser.add_argument("--json", action="store_true", help="print the findings for a program")


def execute(arguments: argparse.Namespace) -> int:
    try:
        settings = load(arguments.site)
    except SettingsError as error:
        mistakes = error.mistakes
        if arguments.json:
            write_json({"well": False, "mistakes": list(mistakes), "warnings": []})
        else:
            write(*(printable(mistake) for mistake in mistakes), _count(len(mistakes), "mistake"))
        return 2
    instruments = sum(len(line.instruments) for line in settings.lines)
    if arguments.json:
        write_json(
            {
                "well": True,
                "mistakes": [],
                "warnings": list(settings.warnings),
                "site": settings.name,
                "tanks": len(settings.tanks),
                "instruments": instruments,
                "lines": len(settings.lines),
            }
        )
    else:
        write(*(f"warning: {printable(warning)}" for warning in settings.warnings), _summary(settings, instruments))
    return 0


def _summary(settings: SiteSettings, instruments: int) -> str:
    tanks = _count(len(settings.tanks), "tank")
    return f"well: {tanks}, {_count(instruments, 'instrument')} on {_count(len(settings.lines), 'line')}"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
