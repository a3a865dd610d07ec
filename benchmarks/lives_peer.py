"""What a loop over lifelines takes, in the environment that has it: `python lives_peer.py FOLDER`.

The folder holds `cycles` and `failed` (sets, n) of bootstrap fits, `lives` (series, 2 n) and
`run_out` of a power table, all as .npy. Prints one JSON object.
"""

from __future__ import annotations

import json
import sys
import time
import warnings
from pathlib import Path

import numpy as np
from lifelines import LogNormalFitter, WeibullFitter
from lifelines.statistics import logrank_test


def main(folder: Path) -> dict[str, object]:
    """Return seconds and results of both loops."""
    warnings.simplefilter("ignore")
    cycles, failed, lives, run_out = (
        np.load(folder / f"{name}.npy") for name in ("cycles", "failed", "lives", "run_out")
    )
    told: dict[str, object] = {}
    for name, fitter in (("weibull", WeibullFitter), ("lognormal", LogNormalFitter)):
        begun = time.perf_counter()
        fits = [fitter().fit(c, f) for c, f in zip(cycles, failed, strict=True)]
        told[f"{name}_s"] = time.perf_counter() - begun
        told[name] = [
            [fit.rho_, fit.lambda_] if name == "weibull" else [fit.mu_, fit.sigma_] for fit in fits
        ]
    n = lives.shape[1] // 2
    begun = time.perf_counter()
    p = [
        logrank_test(
            *np.split(np.minimum(row, run_out), [n]), *np.split(row < run_out, [n])
        ).p_value
        for row in lives
    ]
    told["power_s"] = time.perf_counter() - begun
    told["power"] = float((np.array(p) <= 0.05).mean())
    return told


if __name__ == "__main__":
    print(json.dumps(main(Path(sys.argv[1]))))
