"""What a benchmark file says of the machine: its class, not its name."""

from __future__ import annotations

from typing import Any

import numpy as np


def pytest_benchmark_update_machine_info(machine_info: dict[str, Any]) -> None:
    """Name numpy's version, on which the ratios depend; leave the host's name out."""
    machine_info["numpy_version"] = np.__version__
    machine_info.pop("node", None)
