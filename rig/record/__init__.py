"""Crash-safe recording: journal, segments, run.h5, and their readers.

`Recorder` writes where it is called, `RemoteRecorder` through a process of its own
(`rig.record.process`); both keep the interface `RunRecord`.
"""

from rig.record.entries import (
    Ending,
    Event,
    FullRateRecord,
    Residual,
    RunHeader,
    StaticRecord,
)
from rig.record.history import Journal, read_journal
from rig.record.interface import RunRecord
from rig.record.reader import RunFile, read_run
from rig.record.recorder import Recorder
from rig.record.remote import RemoteRecorder
from rig.record.runfile import rebuild
from rig.record.salvage import Saved, damage_in_journal, doubt_about_journal, salvage
from rig.record.status import Armed, Coming, Status, WaterStatus
from rig.record.take_up import take_up
from rig.record.trouble import free_bytes
from rig.record.verify import trouble_in_run_file

__all__ = [
    "Armed",
    "Coming",
    "Ending",
    "Event",
    "FullRateRecord",
    "Journal",
    "Recorder",
    "RemoteRecorder",
    "Residual",
    "RunFile",
    "RunHeader",
    "RunRecord",
    "Saved",
    "StaticRecord",
    "Status",
    "WaterStatus",
    "damage_in_journal",
    "doubt_about_journal",
    "free_bytes",
    "read_journal",
    "read_run",
    "rebuild",
    "salvage",
    "take_up",
    "trouble_in_run_file",
]
