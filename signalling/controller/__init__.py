"""The running side: joins the logic to its links, in asyncio."""

from __future__ import annotations

from typing import TYPE_CHECKING

from signalling.lazy import lazily

if TYPE_CHECKING:
    from signalling.controller.changes import Change, Watcher
    from signalling.controller.controller import Controller, Status

__all__ = ["Change", "Controller", "Status", "Watcher"]

__getattr__, __dir__ = lazily(
    globals(),
    {
        "signalling.controller.changes": ("Change", "Watcher"),
        "signalling.controller.controller": ("Controller", "Status"),
    },
)
