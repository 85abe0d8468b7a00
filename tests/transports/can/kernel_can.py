"""SocketCAN of a real Linux kernel for the tests: the kernel that runs, or one of their own.

A kernel that has ``vcan`` gives a network of the test's own, with a ``vcan0`` in it.
Where it has none, as in most containers, Debian's user-mode Linux is booted for the
test: a kernel that is an ordinary program, with this machine's files as its root,
read-only, and one folder to write in. Nothing here touches the machine's interfaces.
"""

from __future__ import annotations

import contextlib
import os
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

HERE = Path(__file__).parent

BOOT = 60.0
"""Seconds within which a kernel has to be up; it takes two."""
RUN = 120.0
"""Seconds within which a program has to end; the longest takes a tenth of it."""

_TOOLS = {"ip": "iproute2", "candump": "can-utils", "cansend": "can-utils"}
"""Programs that are needed in any case, and the packages of Debian that have them."""
_BOOT_TOOLS = {"linux.uml": "user-mode-linux", "modprobe": "kmod", "cc": "gcc libc6-dev"}
_MODULES = Path("/usr/lib/uml/modules")

_LINK = "ip link add vcan0 type vcan && ip link set vcan0 up"
_SOCKET = "import socket; socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)"

_ENVIRONMENT = {
    **os.environ,
    "PATH": os.environ.get("PATH", "") + ":/usr/local/sbin:/usr/sbin:/sbin",
    "PYTHONPATH": str(HERE.parents[2]),
}


def run_on_vcan(program: str, *arguments: str) -> None:
    """Run a Python program of this folder where there is a ``vcan0``, which is up.

    Fails, with what the program printed, where it does not end with 0 in time;
    and where there is no such kernel, with what to install.
    """
    command = [sys.executable, "-u", str(HERE / program), *arguments]
    _require(_TOOLS, "")
    with tempfile.TemporaryDirectory(prefix="vcan-") as name:
        folder = Path(name)
        if _kernel_has_vcan():
            status = _run_here(command, folder)
        else:
            _require(_BOOT_TOOLS, "This machine's kernel has no vcan, so that one is booted. ")
            status = _run_in_uml(command, folder)
        printed = "\n".join(
            f"-- {path.name}:\n{path.read_text(errors='backslashreplace')}"
            for path in (folder / "console", folder / "output")
            if path.exists()
        )
    if status:
        pytest.fail(f"{' '.join((program, *arguments))}: {status}\n{printed}", pytrace=False)


def _require(tools: Mapping[str, str], why: str) -> None:
    missing = [name for name in tools if shutil.which(name, path=_ENVIRONMENT["PATH"]) is None]
    if missing:
        packages = " ".join(sorted({tools[name] for name in missing}))
        pytest.fail(
            f"{why}Not installed: {', '.join(missing)}. On Debian: apt-get install {packages}. "
            "user-mode-linux is for PCs (amd64, i386) only; on other machines a kernel with vcan "
            "is needed, and leave to make networks: sudo modprobe vcan",
            pytrace=False,
        )


# -- this machine's kernel


def _in_own_network(script: str) -> list[str]:
    return ["unshare", "--map-root-user", "--net", "sh", "-c", f"{_LINK} && {script}"]


def _kernel_has_vcan() -> bool:
    probe = _in_own_network(shlex.join([sys.executable, "-c", _SOCKET]))
    try:
        run = subprocess.run(probe, check=False, capture_output=True, env=_ENVIRONMENT, timeout=30)
    except FileNotFoundError:
        return False
    return run.returncode == 0


def _run_here(command: list[str], folder: Path) -> str:
    script = f"exec {shlex.join(command)}"
    status = _bounded(_in_own_network(script), folder / "output", {}, lambda: True)
    return "" if status == "ended with 0" else status


# -- a kernel booted for the test


def _run_in_uml(command: list[str], folder: Path) -> str:
    shim, init = folder / "whole_registers.so", folder / "init"
    subprocess.run(
        ["cc", "-O2", "-shared", "-fPIC", "-o", shim, HERE / "whole_registers.c"], check=True
    )
    (folder / "lib").mkdir()
    (folder / "lib" / "modules").symlink_to(_MODULES)
    kept = {name: _ENVIRONMENT[name] for name in ("PATH", "PYTHONPATH")}
    exports = " ".join(f"{name}={shlex.quote(value)}" for name, value in kept.items())
    inside = ["sh", str(HERE / "uml_init.sh"), str(folder), *command]
    init.write_text(f"#!/bin/sh\nexport {exports}\nexec {shlex.join(inside)}\n")
    init.chmod(0o700)
    status = _bounded(
        [
            *("linux.uml", "mem=256M", "quiet", f"uml_dir={folder}"),
            *("root=none", "rootfstype=hostfs", "rootflags=/", "ro", f"init={init}"),
            *("con=null", "con0=null,fd:1"),
        ],
        folder / "console",
        {"LD_PRELOAD": str(shim)},
        (folder / "booted").exists,
    )
    try:
        ended = (folder / "status").read_text().strip()
    except FileNotFoundError:
        return f"had not ended; the kernel booted for it {status}"
    return "" if ended == "0" else f"ended with {ended}"


def _bounded(
    command: list[str], output: Path, more: Mapping[str, str], booted: Callable[[], bool]
) -> str:
    """Run a command, with all that it starts, within its time; say how that ended."""
    began = time.monotonic()
    with output.open("wb") as out:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
            env={**_ENVIRONMENT, **more},
            start_new_session=True,
        )
    status = ""
    try:
        # The number of the group stays taken until the process has been waited for.
        ending = os.WEXITED | os.WNOWAIT | os.WNOHANG
        while not status and os.waitid(os.P_PID, process.pid, ending) is None:
            passed = time.monotonic() - began
            if passed > BOOT and not booted():
                status = f"was not up within {BOOT:g} s"
            elif passed > BOOT + RUN:
                status = f"had not ended within {BOOT + RUN:g} s"
            time.sleep(0.02)
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    return status or f"ended with {process.returncode}"
