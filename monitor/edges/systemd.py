"""Telling systemd how we are, over the socket it gives us (sd_notify(3)); without one, nothing."""

from __future__ import annotations

import os
import socket


def tell(state: str) -> None:
    """Send a state such as READY=1, WATCHDOG=1, STOPPING=1."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as messages:
        messages.connect(address)
        messages.sendall(state.encode())
