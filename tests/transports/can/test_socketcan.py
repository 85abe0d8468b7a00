"""SocketCAN of a real kernel: ours between processes, and can-utils as foreign clients."""

from __future__ import annotations

from tests.transports.can.kernel_can import run_on_vcan


def test_it_passes_what_every_transport_must_between_processes() -> None:
    run_on_vcan("between_processes.py", "socketcan", "vcan0")


def test_foreign_clients_and_an_interface_that_goes_down() -> None:
    run_on_vcan("can_utils.py")


def test_a_node_of_ours_with_foreign_clients_for_a_controller() -> None:
    run_on_vcan("node_on_vcan.py")
