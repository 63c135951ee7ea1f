"""Ports at which this process listens, by what the system says: against sockets that the test has opened itself."""

import socket
import subprocess
import sys

import pytest

from gateway.process.listening import ListeningPort, listening_ports


def test_what_listens_is_told_and_what_does_not_is_not() -> None:
    with socket.create_server(("127.0.0.1", 0)) as one, socket.create_server(("0.0.0.0", 0)) as everywhere:
        expected = {ListeningPort(*one.getsockname()), ListeningPort(*everywhere.getsockname())}
        with socket.create_connection(one.getsockname()) as client:
            found = set(listening_ports())
            assert expected <= found
            assert ListeningPort(*client.getsockname()) not in found
    assert not expected & set(listening_ports())


def test_an_address_of_six_is_told_in_order() -> None:
    with socket.create_server(("::1", 0), family=socket.AF_INET6) as one:
        assert ListeningPort("::1", one.getsockname()[1]) in listening_ports()


def test_what_it_has_begun_listens_for_it() -> None:
    """A part of the gateway may be a process of its own: its port is as open."""
    code = "import socket; s = socket.create_server(('127.0.0.1', 0)); print(s.getsockname()[1], flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        port = int(child.stdout.readline())
        assert ListeningPort("127.0.0.1", port) in listening_ports()
        child.communicate("\n")
    assert ListeningPort("127.0.0.1", port) not in listening_ports()


def test_what_the_system_does_not_say_is_no_empty_list() -> None:
    """A process that there is not: nothing is known of what it has begun."""
    with subprocess.Popen([sys.executable, "-c", ""]) as ended:
        ended.wait()
    with pytest.raises(OSError, match="does not tell"):
        listening_ports(ended.pid)
