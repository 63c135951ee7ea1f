"""`delivery`: what others need who connect to this site's gateway."""

import argparse

from gateway.commands.service import delivery_map, delivery_opcua

__all__ = ["add_arguments", "execute"]

_EPILOG = """Examples: tank-gateway delivery map site.yaml --out registers.md
          tank-gateway delivery map site.yaml --format csv --out registers.csv
          tank-gateway delivery map site.yaml --of names
          tank-gateway delivery certificate site.yaml list
          tank-gateway delivery user site.yaml historian
Each action has its own help: tank-gateway delivery map --help"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    actions = parser.add_subparsers(dest="action", metavar="ACTION", title="actions", required=True)
    summary = "print the addresses of the registers, or what each figure is called wherever it goes out"
    action = actions.add_parser("map", help=summary, description=f"{summary[0].upper()}{summary[1:]}.")
    delivery_map.add_arguments(action)
    action.formatter_class = argparse.RawDescriptionHelpFormatter
    action.set_defaults(execute_action=delivery_map.execute)
    summary = "say whom the OPC UA server trusts, and make its own certificate"
    action = actions.add_parser("certificate", help=summary, description=f"{summary[0].upper()}{summary[1:]}.")
    delivery_opcua.add_certificate_arguments(action)
    action.formatter_class = argparse.RawDescriptionHelpFormatter
    action.set_defaults(execute_action=delivery_opcua.certificate)
    summary = "say who may read from the OPC UA server by name and password"
    action = actions.add_parser("user", help=summary, description=f"{summary[0].upper()}{summary[1:]}.")
    delivery_opcua.add_user_arguments(action)
    action.formatter_class = argparse.RawDescriptionHelpFormatter
    action.set_defaults(execute_action=delivery_opcua.user)


def execute(arguments: argparse.Namespace) -> int:
    return int(arguments.execute_action(arguments))
