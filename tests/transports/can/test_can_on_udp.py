"""CAN frames between processes: python-can's UDP multicast, in a network of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
GROUP = "239.74.163.2"


def run_alone(program: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a program of this folder in a network of its own."""
    environment = os.environ | {"PYTHONPATH": str(HERE.parents[2])}
    own_network = ["unshare", "--map-root-user", "--net", sys.executable, str(HERE / "alone.py")]
    probe = subprocess.run([*own_network, "true"], check=False, capture_output=True, text=True)
    if probe.returncode:
        pytest.fail(
            f"no network of its own: {probe.stderr.strip()}. These tests need Linux, util-linux, "
            "and leave to make namespaces (as root, or kernel.unprivileged_userns_clone=1).",
            pytrace=False,
        )
    command = [*own_network, sys.executable, str(HERE / program), *arguments]
    return subprocess.run(
        command, check=False, capture_output=True, text=True, env=environment, timeout=300
    )


def test_it_passes_what_every_transport_must_between_processes() -> None:
    run = run_alone("between_processes.py", "udp_multicast", GROUP)
    assert run.returncode == 0, run.stdout + run.stderr


def test_listening_says_nothing_and_works_beside_who_runs_the_layout(tmp_path: Path) -> None:
    run = run_alone("listens_beside.py", GROUP, str(tmp_path))
    assert run.returncode == 0, run.stdout + run.stderr
