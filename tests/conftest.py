"""What all tests share: a clock that jumps, a clean exit, a real broker.

Asynchronous tests run on a loop whose clock jumps, so that nothing waits; those
that use a broker or are marked ``real_time`` work with other processes and run
on an ordinary loop.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import getpass
import inspect
import logging
import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings

from signalling.controller.clock import paced

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator, Mapping

# Log lines are made at every level, so that a badly formatted one fails the test:
# pytest's capturing handler raises what formatting raises.
for _name in ("signalling", "transports"):
    logging.getLogger(_name).setLevel(logging.DEBUG)

# How long one example takes says nothing on a machine that others share. A run that decides
# whether a change lands repeats the same examples; elsewhere each run tries new ones.
settings.register_profile("shared", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("shared")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "real_time: works with other processes, in real time")


def pytest_asyncio_loop_factories(
    config: pytest.Config,  # noqa: ARG001 - the hook's own signature
    item: pytest.Item,
) -> Mapping[str, Callable[[], asyncio.AbstractEventLoop]]:
    names = getattr(item, "fixturenames", ())
    if "broker" in names or item.get_closest_marker("real_time"):
        return {"real": asyncio.new_event_loop}
    return {"jumping": paced(None)}


# -- a clean exit


def _open_sockets() -> set[str]:
    found = set()
    for entry in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):
            link = str(entry.readlink())
            if link.startswith("socket:"):
                found.add(link)
    return found


def _is_async(request: pytest.FixtureRequest) -> bool:
    return inspect.iscoroutinefunction(getattr(request.node, "obj", None))


@pytest.fixture(autouse=True)
def _no_thread_or_socket_left(request: pytest.FixtureRequest) -> Iterator[None]:
    if not _is_async(request):
        yield
        return
    sockets, threads = _open_sockets(), set(threading.enumerate())
    yield
    gc.collect()
    left = [thread.name for thread in set(threading.enumerate()) - threads]
    assert not left, f"threads left: {left}"
    assert not _open_sockets() - sockets, "sockets left open"


@pytest.fixture
async def no_task_left() -> AsyncIterator[None]:
    before = asyncio.all_tasks()
    yield
    left = {task for task in asyncio.all_tasks() if not task.done()} - before
    left.discard(asyncio.current_task())  # type: ignore[arg-type]
    assert not left, f"tasks left: {sorted(task.get_name() for task in left)}"


@pytest.fixture(autouse=True)
def _no_task_left(
    request: pytest.FixtureRequest,
    _no_thread_or_socket_left: None,
) -> None:
    if _is_async(request):
        request.getfixturevalue("no_task_left")


# -- a real broker


def _tool(name: str) -> str:
    path = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if path is None:
        pytest.fail(
            f"{name} is not installed, and these tests need the real one. On Debian: "
            "apt-get install mosquitto mosquitto-clients",
            pytrace=False,
        )
    return path


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker:
    """A real Mosquitto of this test's own, on a loopback port, and its foreign clients."""

    def __init__(self, folder: Path, *settings: str) -> None:
        self.port = _free_port()
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self._listeners: list[Listener] = []
        self._config = folder / f"mosquitto-{self.port}.conf"
        self._config.write_text(
            "\n".join(
                (
                    f"listener {self.port} 127.0.0.1",
                    "set_tcp_nodelay true",
                    "persistence false",
                    f"user {getpass.getuser()}",
                    "log_dest stderr",
                    *(settings or ("allow_anonymous true",)),
                    "",
                )
            )
        )

    def start(self) -> None:
        log = (self._folder / f"mosquitto-{self.port}.log").open("ab")
        with log:
            self._process = subprocess.Popen(
                [_tool("mosquitto"), "-c", str(self._config)], stdout=log, stderr=log
            )
        for _ in range(1000):
            assert self._process.poll() is None, f"Mosquitto ended; see {log.name}"
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            time.sleep(0.01)
        pytest.fail("Mosquitto does not listen")

    def kill(self) -> None:
        """End it at once, as a power cut does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    @property
    def running(self) -> bool:
        return self._process is not None

    async def publish(
        self, topic: str, payload: str | bytes, *options: str, lines: bool = False
    ) -> None:
        """Publish with ``mosquitto_pub``, and wait until the broker has it.

        With ``lines``, each line is a message of its own.
        """
        data = payload.encode() if isinstance(payload, str) else payload
        process = await asyncio.create_subprocess_exec(
            _tool("mosquitto_pub"),
            *("-h", "127.0.0.1", "-p", str(self.port), "-q", "1", "-t", topic),
            *("-l" if lines else "-s" if data else "-n", *options),
            stdin=subprocess.PIPE,
        )
        await process.communicate(data)
        assert process.returncode == 0

    async def listen(self, topic: str, *options: str) -> Listener:
        """Subscribe with ``mosquitto_sub``, and wait until it hears."""
        listener = Listener()
        self._listeners.append(listener)
        await listener.start(
            _tool("mosquitto_sub"),
            *("-h", "127.0.0.1", "-p", str(self.port), "-q", "1"),
            *("-t", topic, "-t", listener.probe, *options),
        )
        while not listener.ready.is_set():
            await self.publish(listener.probe, "probe")
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(0.1):
                    await listener.ready.wait()
        return listener

    async def stop(self) -> None:
        for listener in self._listeners:
            await listener.stop()
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self.kill()


class Listener:
    """A ``mosquitto_sub``, and what it has heard."""

    def __init__(self) -> None:
        self.latest: dict[str, str] = {}
        """The last payload of each topic."""
        self.lines: list[tuple[str, str]] = []
        """Topics and payloads in the order of their arrival."""
        self.probe = f"probe/{id(self)}"
        """A topic of its own, by which it is found to be listening."""
        self.ready = asyncio.Event()
        self._process: asyncio.subprocess.Process | None = None
        self._reader: asyncio.Task[None] | None = None

    async def start(self, *command: str) -> None:
        self._process = await asyncio.create_subprocess_exec(
            *command, "-F", "%t\t%p", stdout=subprocess.PIPE
        )
        self._reader = asyncio.create_task(self._read(), name="mosquitto_sub")

    async def _read(self) -> None:
        assert self._process is not None
        assert self._process.stdout is not None
        async for line in self._process.stdout:
            topic, _, payload = line.decode().rstrip("\n").partition("\t")
            if topic == self.probe:
                self.ready.set()
            else:
                self.latest[topic] = payload
                self.lines.append((topic, payload))

    async def until(self, topic: str, payload: str) -> None:
        """Wait until this is the last payload of the topic."""
        await until(lambda: self.latest.get(topic) == payload, f"{topic} {payload}", self.latest)

    async def stop(self) -> None:
        if self._process is not None and self._reader is not None:
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()
            await self._process.wait()
            await self._reader
            self._process = None


async def until(condition: Callable[[], object], what: str, seen: Any = None) -> None:
    """Wait until something holds; fail after a long time."""
    loop = asyncio.get_running_loop()
    deadline = loop.time() + 20
    while not condition():
        assert loop.time() < deadline, f"never came: {what}; seen: {seen}"
        await asyncio.sleep(0.01)


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Broker]:
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    await broker.stop()
