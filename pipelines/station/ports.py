"""Ports on this machine."""

import os
import socket


class PortTaken(OSError):
    """Another program listens there."""


def free_port(port: int) -> None:
    """Do nothing if the port is free on 127.0.0.1.

    Raises
    ------
    PortTaken
        It is taken; the message names another.
    """
    with socket.socket() as probe:
        if os.name != "nt":  # there it would share a port that is taken
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            raise PortTaken(f"Port {port} is in use on this machine. Choose another with --port {port + 1}.") from None
