"""Checks of push buttons.

Law of this file: what is wrong with buttons, so far as names show it. Which
routes there are between two of them is said with the routes.
"""

from __future__ import annotations

from signalling.layout.findings import did_you_mean, listed
from signalling.layout.place import KeyPath
from signalling.layout.scope import Scope, shown_name

__all__ = ["check_buttons"]


def check_buttons(scope: Scope) -> None:
    """Say what is wrong with buttons."""
    for name, button in scope.layout.buttons.items():
        path, thing = ("buttons", name), f"button {name}"
        ends = [key for key in ("entry", "exit") if getattr(button, key) is not None]
        alone = [key for key in ("cancel", "ask") if getattr(button, key)]
        if len(alone) + bool(ends) != 1:
            given = listed(f"`{key}`" for key in (*ends, *alone))
            scope.findings.error(
                path,
                thing,
                f"It has {given}, and can do one thing only."
                if ends or alone
                else "It does nothing.",
                "Give it a signal as `entry`, an end of routes as `exit`, or both of them; or "
                "`cancel = true`; or a request as `ask`.",
            )
        if button.entry is not None:
            _check_entry(scope, (*path, "entry"), thing, button.entry)
        if button.exit is not None:
            _check_exit(scope, (*path, "exit"), thing, button.exit)
        for key in ("move", "within"):
            if button.entry is None and not (key == "within" and button.cancel):
                _check_idle(scope, (*path, key), thing)


def _check_entry(scope: Scope, path: KeyPath, thing: str, name: str) -> None:
    signal = scope.layout.signals.get(name)
    if scope.known("signals", name, path, thing) and signal and not signal.controlled:
        scope.findings.warning(
            path,
            thing,
            f"Signal {name} works automatically, so that no route of it can be asked for.",
            f"Give signal {name} `controlled = true`, or take the button out.",
        )


def _check_exit(scope: Scope, path: KeyPath, thing: str, name: str) -> None:
    signal, block = name in scope.names["signals"], name in scope.names["blocks"]
    if signal and block:
        scope.findings.error(
            path,
            thing,
            f"There is a signal {shown_name(name)} and a block {shown_name(name)}.",
            "Rename one of them, so that it is plain where the routes end.",
        )
    elif not (signal or block):
        known = sorted(scope.names["signals"] | scope.names["blocks"])
        scope.findings.error(
            path,
            thing,
            f"There is no signal and no block {shown_name(name)}.",
            did_you_mean(name, known, "Name the signal at which routes end, or their last block."),
        )


def _check_idle(scope: Scope, path: KeyPath, thing: str) -> None:
    """Say that a key does nothing, where it is given."""
    if path in scope.findings.places.lines:
        scope.findings.warning(
            path,
            thing,
            f"`{path[-1]}` does nothing here: it is of entry buttons.",
            f"Take `{path[-1]}` out.",
        )
