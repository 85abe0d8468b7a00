"""A verb of the command as a process of its own, and what it has printed.

Law of this file: starting, reading and ending; nothing of any verb.
"""

from __future__ import annotations

import asyncio
import json
import re
import signal
import subprocess
import sys
from typing import Any, Self

from tests.conftest import until


class Program:
    """A ``signalling VERB``, read as it prints."""

    def __init__(self, verb: str, *arguments: str) -> None:
        self.command = (sys.executable, "-m", "signalling", verb, *arguments)
        self.lines: list[str] = []

    async def __aenter__(self) -> Self:
        self.process = await asyncio.create_subprocess_exec(
            *self.command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        self._reader = asyncio.create_task(self._read(), name="read")
        return self

    async def __aexit__(self, *_: object) -> None:
        if self.process.returncode is None:
            self.process.kill()
        await self.process.wait()
        await self._reader

    async def _read(self) -> None:
        assert self.process.stdout is not None
        async for line in self.process.stdout:
            self.lines.append(line.decode().rstrip())

    async def end(self, how: signal.Signals = signal.SIGINT) -> int:
        """Ask it to stop; return its exit code. It must have complained of nothing."""
        self.process.send_signal(how)
        code = await self.process.wait()
        await self._reader
        assert self.process.stderr is not None
        assert await self.process.stderr.read() == b""
        return code

    async def says(self, text: str) -> None:
        """Wait for a line that has this in it."""
        await self.matches(re.escape(text))

    async def matches(self, pattern: str) -> None:
        """Wait for a line in which a pattern is found."""
        await until(
            lambda: any(re.search(pattern, line) for line in self.lines), pattern, self.lines
        )

    @property
    def events(self) -> list[dict[str, Any]]:
        """What it has printed, with ``--json``."""
        return [json.loads(line) for line in self.lines]
