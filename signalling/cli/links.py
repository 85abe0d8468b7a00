"""How the state of a link is told: as a line, and as an object.

Law of this file: words only; which states are worth telling is the controller's affair.
"""

from __future__ import annotations

from typing import Any

from transports.link import LinkState, LinkStatus

__all__ = ["link_event", "link_line"]


def link_event(at: float, link: LinkStatus) -> dict[str, Any]:
    """Return how a link stands, for programs; ``at`` is in seconds since the start."""
    event = {"at": at, "event": "link", "name": link.name, "state": str(link.state)}
    return event | {"error": link.error if link.state is LinkState.LOST else ""}


def link_line(event: dict[str, Any]) -> str:
    """Return the same for people."""
    error = f" ({event['error']})" if event["error"] else ""
    return f"link {event['name']}: {event['state']}{error}"
