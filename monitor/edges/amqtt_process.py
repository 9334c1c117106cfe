"""A small MQTT 3.1.1 broker in Python, in a process of its own: for trying things out only.

It keeps nothing on disk and may lose messages under load, so what publishes to it should
wait for the daemon's progress. Run as `python -m monitor.edges.amqtt_process PORT`.
"""

from __future__ import annotations

import asyncio
import sys


async def serve(port: int) -> None:
    """Serve on the loopback address until killed: there is nothing to put in order."""
    from amqtt.broker import Broker  # type: ignore[import-untyped]  # it carries no types

    settings = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {
            "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True},
        },
    }
    await Broker(settings).start()
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(serve(int(sys.argv[1])))
