"""What is in use of the ways and connections that a line has."""

from typing import NamedTuple

from gateway.acquisition.links.connection_pool import ConnectionPool
from gateway.acquisition.links.link import Link
from gateway.acquisition.links.standby import StandbyLink
from gateway.acquisition.plan import LinePath

__all__ = ["ActivePath", "active_path_of"]


class ActivePath(NamedTuple):
    path: LinePath
    on_standby: bool
    open_connections: int


def active_path_of(link: Link, primary: LinePath) -> ActivePath:
    """`primary` is the path of a link that has no other."""
    path, on_standby = primary, False
    if isinstance(link, StandbyLink):
        path, on_standby, link = link.path, link.on_standby, link.link
    opened = link.open_connections if isinstance(link, ConnectionPool) else int(link.connected)
    return ActivePath(path, on_standby, opened)
