"""The application as a server's worker loads it: settings from the environment."""

import os

from tracelog.config import load_settings
from tracelog.web.application import Application, create_application

# How many proxies stand before the server; set by `tracelog serve --behind-proxies`.
PROXIES_VARIABLE = "TRACELOG_BEHIND_PROXIES"


def application() -> Application:
    """Make the application of this process."""
    return create_application(
        load_settings(),
        proxies=int(os.environ.get(PROXIES_VARIABLE, "0") or "0"),
        watched=True,
    )
