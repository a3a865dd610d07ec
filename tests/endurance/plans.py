"""The files of the tests that the storm goes over: short, with water, inspections and an end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from tests.control.conftest import changed

SHIPPED = Path(str(resources.files("protocols")))

_LONG = {
    r"^frequency = .*$": 'frequency = "10 Hz"',
    r"^run_out = .*$": 'run_out = "60000 cycles"',
    r'^begin = "20 cycles"': 'begin = "2000 cycles"',
    r'^on = "15 s"': 'on = "60 s"',
    r'^every = "30 s"': 'every = "240 s"',
    r'^at = \["150 cycles"\]$': 'at = ["4000 cycles", "12000 cycles"]',
    r'^from = "40 cycles"': 'from = "500 cycles"',
    r'^to = "80 cycles"': 'to = "1000 cycles"',
}
_QUICK = {
    r"^rate = .*$": 'rate = "500 Hz"',
    r"^servo_bandwidth = .*$": 'servo_bandwidth = "200 Hz"',
    # A stop of three minutes is a large share of an hour: water that goes on by time meanwhile
    # must not change the life by as much.
    r"^wet_factor = 180": "wet_factor = 1.5",
    r"^scatter = .*$": "scatter = 0.02\nlife_scale = {scale}",
}
_SLOW = """
[[channel]]
name = "temperature_air"
resolution = "0.1 K"
noise = "0.05 K"
range = ["-20 degC", "60 degC"]
slow = true
"""
_DRY = {
    r'^exposure = "spray"': 'exposure = "dry"',
    r"(?s)^\[spray\].*?(?=^\[inspections\])": "",
    r"^run_out = .*$": 'run_out = "25000 cycles"',
}
_SMALL = {
    r"^run_out = .*$": 'run_out = "3000 cycles"',
    r"^begin = .*$": 'begin = "300 cycles"',
    r"^at = \[.*\]$": 'at = ["600 cycles", "1500 cycles"]',
    r"^from = .*$": 'from = "100 cycles"',
    r"^to = .* cycles.$": 'to = "300 cycles"',
}
_TINY = {
    **_SMALL,
    r"^run_out = .*$": 'run_out = "800 cycles"',
    r"^at = \[.*\]$": 'at = ["400 cycles"]',
}
_BROKEN = {
    **_TINY,
    r"^\[spray\]": """[[stage]]
name = "to ultimate"
kind = "ramp"
control = "deflection"
until = "ultimate"
speed = "0.2 mm/min"

[spray]""",
    r"^\[full_rate\]": """[limits.residual]
load = ["-2 kN", "200 kN"]
deflection = ["-0.5 mm", "40 mm"]

[full_rate]""",
}
_LIVE = {
    r'(?s)^\[\[stage\]\]\nname = "pre-crack".*?(?=^\[\[stage\]\]\nname = "fatigue")': "",
    r'^load = \["-2 kN"': 'load = ["-6 kN"',
    r"^frequency = .*$": 'frequency = "8 Hz"',
    r"^settle = .*$": 'settle = "0.1 s"',
    r"^build_up = .*$": 'build_up = "4 cycles"',
    r"^run_out = .*$": 'run_out = "160 cycles"',
    r'^from = "40 cycles"': 'from = "20 cycles"',
    r'^to = "80 cycles"': 'to = "40 cycles"',
    r'^on = "15 s"': 'on = "3 s"',
    r'^every = "30 s"': 'every = "6 s"',
    r'every = "5 s"': 'every = "1 s"',
    r'^at = \["150 cycles"\]$': 'at = ["80 cycles"]',
    r'^go_on_after = "20 s"': 'go_on_after = "2 s"',
    r"^zero = true.*$": "zero = false",
    r"^before_stop = .*$": 'before_stop = "2 s"',
    r"^after_stop = .*$": 'after_stop = "0.5 s"',
}
_PROMPT = {
    r"^before = .*$": 'before = "1 s"',
    r"^gap = .*$": 'gap = "0.3 mm"',
    r"^servo_bandwidth = .*$": 'servo_bandwidth = "200 Hz"',
    r"^pump_run_up = .*$": 'pump_run_up = "0.5 s"',
}


@dataclass(frozen=True)
class Files:
    """A protocol and a rig file."""

    protocol: Path
    rig: Path


@dataclass(frozen=True)
class Variant:
    """One kind of test in virtual time: changes of its protocol, the scale of its life."""

    protocol: Mapping[str, str]
    scale: float
    slow: bool = False


VARIANTS = {
    "sprayed to failure": Variant({}, 0.000036),
    "dry to run-out": Variant(_DRY, 1.0, slow=True),
    "small": Variant(_SMALL, 1.0, slow=True),
    "tiny": Variant(_TINY, 1.0, slow=True),
    "tiny, then broken": Variant(_BROKEN, 1.0, slow=True),
}


def virtual(folder: Path, name: str) -> Files:
    """Write the files of a rehearsal that lasts some seconds; return them."""
    variant = VARIANTS[name]
    rig = {was: to.format(scale=variant.scale) for was, to in _QUICK.items()}
    if variant.slow:
        rig[r"\Z"] = _SLOW
    return _written(folder, [_LONG, variant.protocol], [rig])


def live(folder: Path, rig_name: str, *, run_out: int = 160) -> Files:
    """Write the files of a test in real time that lasts half a minute; return them."""
    longer = {r"^run_out = .*$": f'run_out = "{run_out} cycles"'}
    named = {r'^name = "simulated frame"': f'name = "{rig_name}"'}
    return _written(folder, [_LIVE, longer], [_PROMPT, named])


def _written(
    folder: Path, protocol: list[Mapping[str, str]], rig: list[Mapping[str, str]]
) -> Files:
    folder.mkdir(parents=True, exist_ok=True)
    text = (SHIPPED / "first-night.toml").read_text(encoding="utf-8")
    for kind in ("specimens", "series"):
        text = text.replace(f'"{kind}/', f'"{SHIPPED.as_posix()}/{kind}/')
    rig_text = (SHIPPED / "rigs" / "simulated.toml").read_text(encoding="utf-8")
    for changes in protocol:
        text = changed(text, dict(changes))
    for changes in rig:
        rig_text = changed(rig_text, dict(changes))
    files = Files(folder / "p.toml", folder / "rig.toml")
    files.protocol.write_text(text, encoding="utf-8")
    files.rig.write_text(rig_text, encoding="utf-8")
    return files
