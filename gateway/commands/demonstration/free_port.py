"""Whether a TCP port can be listened on, and one that can."""

import socket

__all__ = ["free_port"]


def free_port(host: str, wanted: int) -> int:
    """`wanted` if it is free on `host`, else a port that is. It may be taken again before it is used."""
    for port in (wanted, 0):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            # As servers do, so that a port of a connection that has just ended counts as free.
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
                probe.listen(1)
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise OSError(f"no free port on {host}")
