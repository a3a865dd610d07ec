"""Drivers of the tests, found as installed ones are: by their entry point."""

from __future__ import annotations

from pathlib import Path


def offer(folder: Path, driver: str, module: str = "", distribution: str = "") -> None:
    """Write what pip writes beside a driver's module; names that are not given are the driver's."""
    distribution = distribution or driver
    offered = folder / f"{distribution}-1.dist-info"
    offered.mkdir(parents=True)
    (offered / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {distribution}\nVersion: 1\n")
    entry = f"[nightrig.drivers]\n{driver} = {module or driver}:open_rig\n"
    (offered / "entry_points.txt").write_text(entry)
