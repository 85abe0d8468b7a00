"""Where our broker is, as a transport's options say it, and who we are to it this time.

Law of this file: one way to put it together, for whoever connects.
"""

from __future__ import annotations

import math
import secrets
from typing import TYPE_CHECKING

from transports.mqtt.session import Endpoint

if TYPE_CHECKING:
    from transports.mqtt.options import Options
    from transports.mqtt.session import Publication

__all__ = ["endpoint"]

_PATIENCE = 3.0
"""Seconds that connecting, and each subscription, may take."""


def endpoint(options: Options, who: str, will: Publication | None = None) -> Endpoint:
    """Return the broker of a transport, and a client identifier that nobody else has.

    ``who`` is how the identifier begins; ``will`` what the broker publishes
    for us when we vanish.
    """
    return Endpoint(
        host=options.host,
        port=options.port,
        identifier=f"{who}-{secrets.token_hex(5)}",
        username=options.username,
        password=options.password,
        tls=options.tls,
        # Who works the layout is never silent for long; this is for the broker, about us.
        keepalive=math.ceil(2 * options.timing.lost_after),
        patience=_PATIENCE,
        will=will,
    )
