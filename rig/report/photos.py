"""Pictures of the crack log for a report: made small, without what else a camera writes in them."""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.record.cracks import FACES, CrackEntry, standing
from rig.record.pictures import PICTURES, find_picture, trouble_of_picture
from rig.report.crack_told import fixed, number_of
from rig.report.document import Paragraph, Photo
from rig.report.measure import COUNT, Measure, Part, Words, count_of

if TYPE_CHECKING:
    from PIL.Image import Image as Raster

BUDGET: Final = 750_000
"""Bytes of all pictures of a report: as text in a page they are a third more, so 1 MB."""
FIRST: Final = 6
NEWEST: Final = 14
"""So many pictures are shown, of more the first and the newest."""
PIXELS: Final = 64_000_000
"""Largest picture that is opened: what cameras of 61 megapixels write. More fills the memory."""
STEPS: Final = (
    (900, 82),
    (900, 68),
    (720, 68),
    (560, 62),
    (440, 55),
    (340, 45),
    (240, 35),
    (160, 25),
)
"""Longer side [px] and JPEG quality, tried one after the other until a picture is small enough."""
_TOO_LARGE: Final = "it has more pixels than a report opens"
PHOTO_KEYS: Final = {
    "derived.pictures.shown": (
        "of the different pictures that entries of the crack log name as they stand after their "
        f"corrections, in the order of the entries, those in the report: all of {FIRST + NEWEST} "
        f"or fewer, else the first {FIRST} and the last {NEWEST}"
    ),
    "derived.pictures.left_out": "the different pictures so named less those in the report",
}
"""How numbers of pictures are worked out from run.h5."""


def photo_blocks(
    folder: Path, entries: Sequence[CrackEntry], budget: int = BUDGET
) -> tuple[Photo | Paragraph, ...]:
    """Return the pictures that the crack log names, small enough to fit a budget [B] together.

    `folder` is that of the run; `entries` are all of the log. In place of a picture that is
    missing, is another than was kept or cannot be opened a sentence says so; nothing is raised.
    """
    pictured = _pictured(entries)
    shown = pictured if len(pictured) <= FIRST + NEWEST else pictured[:FIRST] + pictured[-NEWEST:]
    share = budget // max(len(shown), 1)
    blocks = [_block(folder, entry, share) for entry in shown]
    return (*blocks, *_left_out(len(pictured), len(shown)))


def _pictured(entries: Sequence[CrackEntry]) -> list[CrackEntry]:
    """Return the entries with a picture as they stand, of each picture the first."""
    # A correction may be written after the end, its picture was taken when its entry was.
    written = {entry.number: entry.at_utc for entry in entries}
    found: dict[str, CrackEntry] = {}
    for entry in standing(entries):
        if entry.picture:
            found.setdefault(entry.picture, replace(entry, at_utc=written[entry.number]))
    return list(found.values())


def _left_out(pictured: int, shown: int) -> tuple[Paragraph, ...]:
    if pictured == shown:
        return ()
    parts = (
        "Shown are the first and the newest, ",
        *count_of(shown, "picture", "derived.pictures.shown"),
        " in all; ",
        Measure(pictured - shown, COUNT, "derived.pictures.left_out"),
        f' more are not shown here. All are whole in the folder "{PICTURES}" of the run.',
    )
    return (Paragraph(parts),)


def _block(folder: Path, entry: CrackEntry, share: int) -> Photo | Paragraph:
    told = _told(entry)
    path = find_picture(folder, entry.picture)
    if path is None:
        return _not_shown(told, f'it is not in the folder "{PICTURES}" of the run')
    if trouble_of_picture(path, entry.picture):
        return _not_shown(told, "its file is not the picture that was kept, by its SHA-256")
    made = small_jpeg(path, share)
    if isinstance(made, str):
        return _not_shown(told, made)
    jpeg, size = made
    return Photo(f"picture-{entry.number}", jpeg, size, told)


def _not_shown(told: tuple[Part, ...], why: str) -> Paragraph:
    return Paragraph((*told, f" The picture is not shown: {why}."))


def _told(entry: CrackEntry) -> tuple[Part, ...]:
    """Return what a picture is of, who says so, and which it is."""
    key = f"cracks.entry.{entry.number}"
    count = Measure(entry.cycle, COUNT, f"{key}.cycle")
    after = ", after the end" if entry.at_utc else ""
    parts: list[Part] = ["Entry ", number_of(entry.number), ", at ", count, f" cycles{after}: "]
    if entry.crack:
        face = fixed(entry.face, FACES, f"{key}.face", "(face not told)")
        parts += ["crack ", Words(entry.crack, f"{key}.crack", "name"), " ", face]
    else:
        parts.append("the specimen")
    if entry.text:
        parts += [": ", Words(entry.text, f"{key}.text")]
    if entry.by:
        parts += [", by ", Words(entry.by, f"{key}.by", "name")]
    kept = f'. Whole in the folder "{PICTURES}" of the run, where its SHA-256 is its name: '
    return (*parts, kept, Words(entry.picture, f"{key}.picture", "file"), ".")


def small_jpeg(path: Path, most: int) -> tuple[bytes, tuple[int, int]] | str:
    """Return a picture upright as JPEG of so many bytes at most, with its size [px].

    In place of a broken one what ails it is told. Nothing but the picture is kept of the file: no
    place, no time, no maker of the camera.
    """
    # Imported late, as matplotlib is; its formats are those of the crack log, no others.
    from PIL import Image

    with warnings.catch_warnings():
        # What Pillow warns of is either judged here or told by what it raises.
        warnings.simplefilter("ignore")
        try:
            with Image.open(path, formats=("JPEG", "PNG")) as image:
                if image.width * image.height > PIXELS:
                    return _TOO_LARGE
                return _reduced(_plain(image), most)
        except Image.DecompressionBombError:
            return _TOO_LARGE
        except Exception:  # noqa: BLE001 - a broken file makes decoders raise anything
            return "its file is damaged and cannot be opened"


def _plain(image: Raster) -> Raster:
    """Return the picture upright in plain colours on white, no larger than the first step."""
    from PIL import Image

    side = STEPS[0][0]
    # A JPEG is read at a half, quarter or eighth, which is quicker and takes less room.
    image.draft("RGB", (2 * side, 2 * side))
    small = _in_full(image)
    small.thumbnail((side, side), reducing_gap=2.0)
    upright = _upright(small, image).convert("RGBA")
    plain = Image.new("RGB", upright.size, "white")
    plain.paste(upright, mask=upright.getchannel("A"))
    return plain


def _in_full(image: Raster) -> Raster:
    """Return a picture of 16 bits in 8, one of a palette in its colours: both can be reduced."""
    if image.mode.startswith("I"):
        return image.point(lambda value: value / 256, "L")
    return image.convert("RGBA") if image.mode in {"1", "P"} else image


def _upright(small: Raster, image: Raster) -> Raster:
    """Turn a picture as its camera says it was held."""
    from PIL import Image

    turns = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_270,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_90,
    }
    # CIPA DC-008 (Exif), tag 274, orientation: 1 to 8, 1 as it is.
    turn = turns.get(image.getexif().get(274, 1))
    return small if turn is None else small.transpose(turn)


def _reduced(image: Raster, most: int) -> tuple[bytes, tuple[int, int]] | str:
    for side, quality in STEPS:
        image.thumbnail((side, side), reducing_gap=2.0)
        data = io.BytesIO()
        image.save(data, "JPEG", quality=quality, optimize=True)
        if data.tell() <= most:
            return data.getvalue(), image.size
    return "it does not fit the room for pictures in a report"
