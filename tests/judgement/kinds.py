"""Sizes of disturbances as they are drawn, kind by kind; invented, about what laboratories see.

Each function takes a generator and returns the keys of one event beside kind and time. Sizes of
what must be told lie above what practice asks to be told of: settlement over 0.1 mm, a load off by
over 1 % of range, flow off by over 15 %, more than five spikes an hour.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

Draw = Callable[[np.random.Generator], str]
RODS: Final = ("midspan", "support_left", "support_right")
"""Channels of which net deflection is made."""
ENDING: Final = frozenset(
    {"flat", "saturated", "end-of-range", "wet-connector", "noisy", "moved", "drift"}
    | {"oil-droop", "servo-gain", "controller-restart", "guide-friction", "air-in-line"}
    | {"no-flow", "clogged-nozzle", "empty-tank", "leak"}
)
"""What rightly ends a test that nobody attends: late in a healthy night, so that it is long."""
UNTOLD: Final = frozenset({"gaps", "roller-walking", "hum"})
"""What nobody need be told of: gaps flag their rows; a span that grows bends the specimen further
as softening does, and no sensor of the rig tells the two apart; hum that falls between samples."""
LASTING: Final = 2700.0  # s, within which what comes on slowly has come on


def _one(draw: np.random.Generator, low: float, high: float) -> str:
    """Return a size between two, small ones as likely as large ones by ratio."""
    sign = -1 if low < 0 else 1
    value = sign * np.exp(draw.uniform(np.log(abs(low)), np.log(abs(high))))
    return f"{value:.4g}"


def _either(draw: np.random.Generator, low: float, high: float) -> str:
    return f"{float(_one(draw, low, high)) * draw.choice((-1, 1)):.4g}"


def _channel(draw: np.random.Generator, load: str, rod: str, share: float = 0.2) -> str:
    """Return the keys for the load cell, or those for one of the rods."""
    if draw.random() < share:
        return f'channel = "load"\n{load}'
    return f'channel = "{draw.choice(RODS)}"\n{rod}'


def _lasts(draw: np.random.Generator, low: float, high: float) -> str:
    return f'for = "{_one(draw, low, high)} min"\n'


def _over(draw: np.random.Generator, low: float = 5.0, high: float = LASTING / 60) -> str:
    return f'over = "{_one(draw, low, high)} min"\n'


def _temperature(draw: np.random.Generator) -> str:
    return (
        f'swing = "{_one(draw, 2, 8)} K"\nperiod = "24 h"\nlag = "{_one(draw, 0.5, 3)} h"\n'
        f'bowing = "{_either(draw, 0.3, 4)} um"\npost = "{_either(draw, 0.3, 3)} um"\n'
        f'softer = "{_one(draw, 0.03, 0.3)} %"\n'
    )


def _leaning(draw: np.random.Generator) -> str:
    by, lasts = _either(draw, 0.003, 0.05), _one(draw, 4, 15)
    return f'channel = "{draw.choice(RODS)}"\nby = "{by} mm"\nfor = "{lasts} s"\n'


def _yielding(draw: np.random.Generator) -> str:
    return f'by = "{_one(draw, 0.12, 0.3)} mm"\n{_over(draw)}'


def _drift(draw: np.random.Generator) -> str:
    loop = "\nin_loop = true" if draw.random() < 0.5 else ""
    of = _channel(
        draw,
        f'by = "{_either(draw, 4, 8)} kN"{loop}\n',
        f'by = "{_either(draw, 0.2, 0.5)} mm"\n',
    )
    return of + _over(draw)


def _moved(draw: np.random.Generator) -> str:
    return _channel(
        draw, f'by = "{_either(draw, 4, 8)} kN"\n', f'by = "{_either(draw, 0.05, 0.5)} mm"\n'
    )


def _slipping(draw: np.random.Generator) -> str:
    by, every = _either(draw, 2, 10), round(float(_one(draw, 100, 600)))
    return f'channel = "{draw.choice(RODS)}"\nby = "{by} um"\nevery = "{every} cycles"\n'


def _flat(draw: np.random.Generator) -> str:
    return _channel(draw, "", "") + _lasts(draw, 1, 30)


def _saturated(draw: np.random.Generator) -> str:
    end = draw.choice(("high", "low"))
    return _channel(draw, "", "") + f'end = "{end}"\n' + _lasts(draw, 1, 30)


def _end_of_range(draw: np.random.Generator) -> str:
    # Mid-span swings up to 0.8 mm.
    return f'channel = "midspan"\nmost = "{draw.uniform(0.3, 0.75):.3f} mm"\n'


def _noisy(draw: np.random.Generator) -> str:
    load, rod = _one(draw, 0.6, 2), _one(draw, 15, 60)
    of = _channel(draw, f'deviation = "{load} kN"\n', f'deviation = "{rod} um"\n')
    return of + _lasts(draw, 10, 90)


def _spiking(draw: np.random.Generator) -> str:
    of = _channel(
        draw, f'by = "{_one(draw, 20, 60)} kN"\n', f'by = "{_one(draw, 0.2, 2)} mm"\n', 0.4
    )
    return f'{of}every = "{_one(draw, 20, 400)} s"\n' + _lasts(draw, 70, 120)


def _hum(draw: np.random.Generator) -> str:
    load, rod = _one(draw, 0.1, 0.6), _one(draw, 2, 20)
    of = _channel(draw, f'amplitude = "{load} kN"\n', f'amplitude = "{rod} um"\n')
    return f'{of}frequency = "{draw.choice((50, 60))} Hz"\n' + _lasts(draw, 10, 90)


def _gaps(draw: np.random.Generator) -> str:
    of = _channel(draw, "", "")
    return f'{of}every = "{_one(draw, 5, 120)} s"\nlongest = "2 ms"\n' + _lasts(draw, 10, 90)


def _connector(draw: np.random.Generator) -> str:
    size = f'deviation = "{_one(draw, 8, 40)} um"\nby = "{_either(draw, 0.03, 0.2)} mm"\n'
    often = f'every = "{_one(draw, 5, 60)} s"\nlongest = "2 ms"\n'
    return f'channel = "{draw.choice(RODS)}"\n{size}{often}' + _lasts(draw, 15, 90)


def _slope(low: float, high: float) -> Draw:
    return lambda draw: f'to = "{draw.uniform(low, high):.1f} %"\n{_over(draw, 2, 60)}'


def _neighbour(draw: np.random.Generator) -> str:
    often = f'every = "{_one(draw, 2, 10)} min"\nlasts = "{_one(draw, 1, 5)} s"\n'
    return f'to = "{draw.uniform(85, 97):.1f} %"\n{often}' + _lasts(draw, 30, 120)


KINDS: Final[dict[str, Draw]] = {
    "daily-temperature": _temperature,
    "chill": lambda draw: f'by = "{_either(draw, 0.003, 0.03)} mm"\n',
    "creep": lambda draw: f'by = "{_one(draw, 0.01, 0.08)} mm"\n{_over(draw, 30, 480)}',
    "leaning": _leaning,
    "crack": lambda draw: f'softer = "{draw.uniform(5.5, 10):.1f} %"\n',
    "pad-creep": _yielding,
    "settlement": lambda draw: f'side = "{draw.choice(("left", "right"))}"\n{_yielding(draw)}',
    "roller-walking": lambda draw: f'by = "{_one(draw, 3, 20)} mm"\n{_over(draw)}',
    "guide-friction": lambda draw: f'share = "{_one(draw, 4, 15)} %"\n{_over(draw, 1, 30)}',
    "oil-droop": _slope(50, 90),
    "servo-gain": _slope(25, 45),
    "neighbour": _neighbour,
    "air-in-line": lambda draw: f'scatter = "{_one(draw, 1, 4)} %"\n' + _lasts(draw, 10, 90),
    "controller-restart": lambda _draw: "",
    "no-flow": lambda draw: _lasts(draw, 45, 120),
    "clogged-nozzle": _slope(20, 75),
    "empty-tank": lambda _draw: "",
    "leak": lambda draw: _lasts(draw, 0.1, 30),
    "drift": _drift,
    "moved": _moved,
    "slipping": _slipping,
    "flat": _flat,
    "saturated": _saturated,
    "end-of-range": _end_of_range,
    "noisy": _noisy,
    "spiking": _spiking,
    "hum": _hum,
    "gaps": _gaps,
    "wet-connector": _connector,
}
"""Every kind that may happen to a specimen that does not fail."""
