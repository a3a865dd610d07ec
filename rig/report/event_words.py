"""What some events say, for whoever reads numbers out of their words."""

from __future__ import annotations

import re
from typing import Final

MISSED: Final = "spray period missed"
"""How the event of a missed period begins."""
FORETOLD: Final = re.compile(r"expected at cycle ([\d,]+), with 80 % between ([\d,]+) and ([\d,]+)")
"""In the event of a forecast: its median, and the ends of its interval."""
