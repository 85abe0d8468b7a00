"""Automatic colour-light signalling for model railways, derived from one description of the track.

The names below are the public API, in reading order; everything else may
change. Each is loaded on first use, so that ``import signalling`` costs
nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from signalling.lazy import lazily

if TYPE_CHECKING:
    from signalling.controller.asks import Ask
    from signalling.controller.changes import Change
    from signalling.controller.clock import PacedLoop
    from signalling.controller.controller import Controller, Status
    from signalling.core.explain import Reason
    from signalling.core.interlocking import Interlocking, Snapshot
    from signalling.core.words import (
        Acknowledge,
        Alarm,
        AskLock,
        CancelRoute,
        ConfirmBlock,
        FreeAll,
        FreeSignal,
        GiveBack,
        HoldAll,
        HoldSignal,
        MoveTurnout,
        NameTrain,
        Refusal,
        RestoreBlock,
        ReturnLock,
        SetRoute,
        StepTrain,
        TakeOut,
        UnnameBlock,
        UnnameTrain,
        WorkRoute,
    )
    from signalling.describe.describer import Describer
    from signalling.describe.words import BerthName, Cause, NameStep
    from signalling.errors import (
        ConfigurationError,
        EquationError,
        Finding,
        LayoutError,
        LinkError,
        Severity,
        SignallingError,
        UnreadableFileError,
    )
    from signalling.layout.asking import Outcome, Stage
    from signalling.layout.model import Layout
    from signalling.layout.notation import Lie
    from signalling.layout.out_of_use import Thing
    from signalling.layout.read import read_layout
    from signalling.layout.words import Device, Order, Report, device
    from signalling.practice.load import load_practice
    from signalling.practice.schema import Practice
    from signalling.table.check import check_file
    from signalling.table.load import load_table
    from signalling.table.table import Table, compile_table

__version__ = "0.1.0"

__all__ = [  # noqa: RUF022 - in reading order
    # From a file to a control table.
    "check_file",
    "load_table",
    "read_layout",
    "load_practice",
    "compile_table",
    "Layout",
    "Practice",
    "Table",
    # What crosses the border to the hardware.
    "Device",
    "Report",
    "Order",
    "device",
    # The logic, without I/O.
    "Interlocking",
    "Snapshot",
    "Alarm",
    "Reason",
    "Refusal",
    # What may be asked of it.
    "SetRoute",
    "WorkRoute",
    "CancelRoute",
    "HoldSignal",
    "FreeSignal",
    "HoldAll",
    "FreeAll",
    "RestoreBlock",
    "ConfirmBlock",
    "Acknowledge",
    "MoveTurnout",
    "AskLock",
    "ReturnLock",
    "TakeOut",
    "GiveBack",
    "Thing",
    "Lie",
    # Names of trains.
    "Describer",
    "BerthName",
    "NameStep",
    "Cause",
    "NameTrain",
    "StepTrain",
    "UnnameBlock",
    "UnnameTrain",
    # The logic and its transports, running.
    "Controller",
    "Status",
    "Change",
    "Ask",
    "Outcome",
    "Stage",
    "PacedLoop",
    # What can go wrong.
    "SignallingError",
    "LayoutError",
    "UnreadableFileError",
    "ConfigurationError",
    "EquationError",
    "LinkError",
    "Finding",
    "Severity",
]

_HOMES = {
    "signalling.controller.asks": ("Ask",),
    "signalling.controller.changes": ("Change",),
    "signalling.controller.clock": ("PacedLoop",),
    "signalling.controller.controller": ("Controller", "Status"),
    "signalling.core.explain": ("Reason",),
    "signalling.core.interlocking": ("Interlocking", "Snapshot"),
    "signalling.core.words": (
        "Acknowledge",
        "Alarm",
        "AskLock",
        "CancelRoute",
        "ConfirmBlock",
        "FreeAll",
        "FreeSignal",
        "GiveBack",
        "HoldAll",
        "HoldSignal",
        "MoveTurnout",
        "NameTrain",
        "Refusal",
        "RestoreBlock",
        "ReturnLock",
        "SetRoute",
        "StepTrain",
        "TakeOut",
        "UnnameBlock",
        "UnnameTrain",
        "WorkRoute",
    ),
    "signalling.describe.describer": ("Describer",),
    "signalling.describe.words": ("BerthName", "Cause", "NameStep"),
    "signalling.errors": (
        "ConfigurationError",
        "EquationError",
        "Finding",
        "LayoutError",
        "LinkError",
        "Severity",
        "SignallingError",
        "UnreadableFileError",
    ),
    "signalling.layout.asking": ("Outcome", "Stage"),
    "signalling.layout.model": ("Layout",),
    "signalling.layout.notation": ("Lie",),
    "signalling.layout.out_of_use": ("Thing",),
    "signalling.layout.read": ("read_layout",),
    "signalling.layout.words": ("Device", "Order", "Report", "device"),
    "signalling.practice.load": ("load_practice",),
    "signalling.practice.schema": ("Practice",),
    "signalling.table.check": ("check_file",),
    "signalling.table.load": ("load_table",),
    "signalling.table.table": ("Table", "compile_table"),
}
"""Where each public name lives."""

__getattr__, __dir__ = lazily(globals(), _HOMES)
