"""A picture of the screen as SVG: `python -m rig.monitor.picture FOLDER OUT.svg`."""

from __future__ import annotations

import io
import sys
from pathlib import Path
from typing import Final

from rich.console import Console
from rich.terminal_theme import TerminalTheme

from rig.errors import RigError
from rig.monitor import words
from rig.monitor.glyphs import UTF8
from rig.monitor.screen import screen
from rig.monitor.view import Follower, View

SIZE: Final = (100, 30)
_NAME: Final = "nightrig"
_THEME: Final = TerminalTheme(
    (16, 20, 24),
    (222, 226, 230),
    [
        *((16, 20, 24), (214, 69, 65), (58, 140, 66), (230, 180, 40)),
        *((40, 95, 175), (170, 90, 190), (70, 170, 190), (222, 226, 230)),
    ],
    [
        *((110, 118, 128), (240, 90, 80), (110, 200, 110), (250, 210, 90)),
        *((110, 165, 245), (215, 140, 235), (120, 215, 230), (255, 255, 255)),
    ],
)
_FORMAT: Final = """\
<svg class="rich-terminal" viewBox="0 0 {terminal_width} {terminal_height}" \
xmlns="http://www.w3.org/2000/svg">
<style>
.{unique_id}-matrix {{
  font-family: "DejaVu Sans Mono", Menlo, Consolas, monospace;
  font-size: {char_height}px; line-height: {line_height}px; font-variant-east-asian: full-width;
}}
{styles}
</style>
<defs>{lines}</defs>
<rect width="{terminal_width}" height="{terminal_height}" rx="8" fill="#101418"/>
<g transform="translate(12, 8) scale(0.98)" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</g>
<clipPath id="{unique_id}-clip-terminal">
<rect width="{terminal_width}" height="{terminal_height}"/></clipPath>
</svg>
"""


def picture(view: View, width: int = SIZE[0], height: int = SIZE[1], hint: str = "") -> str:
    """Return the screen of a view as SVG, the same for the same view.

    Without a `hint` it says how to leave what a run or a rehearsal says where it was started.
    """
    hint = hint or (words.STOPS if view.rehearsal else words.LEAVES)
    console = Console(
        width=width,
        height=height,
        record=True,
        file=io.StringIO(),
        force_terminal=True,
        color_system="standard",
        no_color=False,
        highlight=False,
    )
    for line in screen(view, width, height, UTF8, hint):
        console.print(line, soft_wrap=True)
    return console.export_svg(
        title="", theme=_THEME, code_format=_FORMAT, unique_id=_NAME, font_aspect_ratio=0.6
    )


def main(arguments: list[str]) -> int:
    """Write the picture of a run; return an exit code."""
    if len(arguments) != 2:
        print("usage: python -m rig.monitor.picture FOLDER OUT.svg", file=sys.stderr)
        return 2
    folder, out = map(Path, arguments)
    try:
        out.write_text(picture(Follower(folder).look()), encoding="utf-8")
    except (RigError, OSError) as error:
        print(error, file=sys.stderr)
        return error.exit_code if isinstance(error, RigError) else 6
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
