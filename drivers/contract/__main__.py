"""`python -m drivers.contract --rig FILE`: the promises of a driver, tried one after the other."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).resolve().parent


def main(words: list[str]) -> int:
    """Try the promises; return pytest's exit code, 0 where all are kept."""
    if importlib.util.find_spec("pytest") is None:
        sys.stderr.write("the contract suite needs pytest: pip install pytest\n")
        return 2
    import pytest

    # The folder by its path, so that its options are known before its tests are looked for; its
    # own settings, whatever project it is called in.
    own = ["-c", str(HERE / "pytest.ini"), "--rootdir", str(HERE), str(HERE)]
    return int(pytest.main([*own, *words]))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
