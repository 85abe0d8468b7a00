"""What a report costs over CAN until its order arrives, and what a flood of frames does.

It runs in a network of its own, in which multicast stays within the machine.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from tests.bench.row import Row

ALONE = Path("tests/transports/can/alone.py")


def measure() -> list[Row]:
    own_network = ["unshare", "--map-root-user", "--net", sys.executable, str(ALONE)]
    run = subprocess.run(
        [*own_network, sys.executable, "-m", "tests.bench.can_alone"],
        check=False,
        stdout=subprocess.PIPE,
        text=True,
    )
    if run.returncode:
        raise RuntimeError(
            "The benchmark over CAN failed. It needs Linux, util-linux, and leave to make network "
            "namespaces (as root, or kernel.unprivileged_userns_clone=1)."
        )
    return [Row(**row) for row in json.loads(run.stdout)]
