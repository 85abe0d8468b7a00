"""Any station on any day: nothing conflicts, nothing moves under a train, nobody is forgotten.

The quick part, the same days each time. For long and random days: ``python -m
tests.routes.machine 5000 60``.
"""

from __future__ import annotations

from hypothesis import HealthCheck, settings

from tests.routes.machine import AnyStation

TestAnyStation = AnyStation.TestCase
TestAnyStation.settings = settings(
    max_examples=150,
    stateful_step_count=20,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
