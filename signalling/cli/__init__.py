"""The ``signalling`` command.

Law of this file: the verbs, and what is common to them: usage, exit codes, and
that no mistake of a user's ends in a traceback. Each verb is one module beside
this one with ``add_arguments(parser)`` and ``run(arguments) -> int``, imported
only when it is asked for, so that one verb never waits for what another needs.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module

from signalling import __version__
from signalling.errors import ConfigurationError, LayoutError, UnreadableFileError

__all__ = ["GOOD", "MISTAKES", "UNUSABLE", "VERBS", "main"]

GOOD = 0
MISTAKES = 1
"""There are findings of severity error."""
UNUSABLE = 2
"""The command was used wrongly, or a file could not be read."""
INTERRUPTED = 130
"""As a shell says it of a command that was stopped by Ctrl-C."""
PIPE_CLOSED = 141
"""As a shell says it of a command whose reader went away."""

VERBS = {
    "bus": "say how full a layout's CAN buses are, and how long their frames wait",
    "check": "say what is wrong with a layout file",
    "demo": "run an invented layout with trains, to see the signalling at work",
    "listen": "show what arrives from a layout's hardware, and say nothing to it",
    "new": "write a layout file with comments to start from",
    "node": "be a node on a CAN bus, with this computer's pins or simulated ones",
    "run": "run the signalling of a layout, until stopped",
    "schema": "print the JSON Schema of layout, practice or node files, for an editor",
    "table": "print the control table, the conflicts or the equations of a layout",
}
"""Every verb: its module's name here, and what it does. Add a verb by adding both."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a name that the terminal cannot show is no failure
            stream.reconfigure(errors="backslashreplace")
    try:
        code = _run(sys.argv[1:] if argv is None else list(argv))
        sys.stdout.flush()
    except KeyboardInterrupt:
        print("signalling: stopped", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # Python flushes once more at its end; let that go nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED
    return code


def _run(argv: list[str]) -> int:
    parser, verb = _parser(argv)
    try:
        arguments, unknown = parser.parse_known_args(argv)
        if unknown:  # with the usage of the verb, which argparse would not show
            verb.error(f"unrecognized arguments: {' '.join(unknown)}")
    except SystemExit as end:  # argparse has said why
        return UNUSABLE if end.code else GOOD
    try:
        code: int = arguments.run(arguments)
    except LayoutError as error:
        print(error, file=sys.stderr)
        return MISTAKES
    except (ConfigurationError, UnreadableFileError) as error:
        print(f"signalling: {error}", file=sys.stderr)
        return UNUSABLE
    return code


def _parser(argv: list[str]) -> tuple[argparse.ArgumentParser, argparse.ArgumentParser]:
    """Return the parser, and that of the verb that is asked for, which alone has its arguments."""
    parser = argparse.ArgumentParser(
        prog="signalling",
        description="Automatic colour-light signalling for model railways.",
        epilog="Exit codes: 0 good, 1 findings of severity error, 2 usage or unreadable file.",
    )
    parser.add_argument("--version", action="version", version=f"signalling {__version__}")
    verbs = parser.add_subparsers(metavar="VERB", dest="verb", required=True)
    asked = next((word for word in argv if not word.startswith("-")), None)
    of_verb = parser
    for name, sentence in VERBS.items():
        verb = verbs.add_parser(name, help=sentence, description=f"{sentence.capitalize()}.")
        if name == asked:
            module = import_module(f"signalling.cli.{name}")
            module.add_arguments(verb)
            verb.set_defaults(run=module.run)
            of_verb = verb
    return parser, of_verb
