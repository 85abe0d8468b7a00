"""The running side: joins the logic to its links, in asyncio."""

from signalling.controller.changes import Change, Watcher
from signalling.controller.controller import Controller, Status

__all__ = ["Change", "Controller", "Status", "Watcher"]
