"""How the state of a link is told: as a line, and as an object.

Law of this file: words only; which states are worth telling is the controller's affair.
"""

from __future__ import annotations

from typing import Any

from transports.link import LinkState, LinkStatus

__all__ = ["link_event", "link_line"]

_NAMED = 5
"""Devices that a line names."""


def link_event(at: float, link: LinkStatus) -> dict[str, Any]:
    """Return how a link stands, for programs; ``at`` is in seconds since the start."""
    event = {"at": at, "event": "link", "name": link.name, "state": str(link.state)}
    event |= {"error": link.error if link.state is LinkState.LOST else ""}
    unreached = sorted(link.unreached) if link.state is LinkState.UP else []
    return event | {"unreached": [str(device) for device in unreached]}


def link_line(event: dict[str, Any]) -> str:
    """Return the same for people."""
    error = f" ({event['error']})" if event["error"] else ""
    return f"link {event['name']}: {event['state']}{error}{_but(event['unreached'])}"


def _but(unreached: list[str]) -> str:
    if not unreached:
        return ""
    more = len(unreached) - _NAMED
    named = ", ".join(unreached[:_NAMED]) + (f" and {more} more" if more > 0 else "")
    return f"; orders do not get through to {named}"
