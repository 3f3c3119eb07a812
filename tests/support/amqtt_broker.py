"""An MQTT 3.1.1 broker from a wheel, on a port of this machine, until it is ended.

Run as a program: ``python -m tests.support.amqtt_broker PORT``. It keeps sessions in memory only.
"""

import asyncio
import sys

from amqtt.broker import Broker


async def _serve(port: int) -> None:
    settings = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {
            "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True},
        },
    }
    broker = Broker(settings)
    await broker.start()
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(_serve(int(sys.argv[1])))
