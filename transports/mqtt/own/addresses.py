"""The topics of our own schema.

Law of this file: names of topics, each written once; no connection.
"""

from __future__ import annotations

from attrs import frozen

from transports.mqtt.own.codec import NAMES
from transports.mqtt.own.schema import VERSION

__all__ = ["ADDRESSES", "Addresses"]

ADDRESSES = {
    "report": f"{{base}}/v{VERSION}/node/{{node}}/report",
    "gone": f"{{base}}/v{VERSION}/node/{{node}}/gone",
    "order": f"{{base}}/v{VERSION}/node/{{node}}/order",
    "identify": f"{{base}}/v{VERSION}/node/{{node}}/identify",
    "all-danger": f"{{base}}/v{VERSION}/all-danger",
    "request": f"{{base}}/v{VERSION}/asker/{{asker}}/request",
    "outcome": f"{{base}}/v{VERSION}/asker/{{asker}}/outcome",
    "listening": f"{{base}}/v{VERSION}/listening",
}
"""The topic of each kind of message, with places for the base and for the name of the node, or of
who asks."""


@frozen
class Addresses:
    """The topics under one base."""

    base: str

    def of(self, cls: type, who: str = "") -> str:
        """Return the topic of a class of messages, by or for a node or an asker."""
        return ADDRESSES[NAMES[cls]].format(base=self.base, node=who, asker=who)
