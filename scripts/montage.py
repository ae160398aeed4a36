"""Sets base and composite side by side at every seam of a finished run, to be looked at with one's own eyes.

    python scripts/montage.py OUT BURST -o FOLDER

OUT is a finished result, BURST the frames it was made from. FOLDER gets `P03_100.png` and `P03_200.png` for
every head that was set in (above base and composite, below the same with the seam's line drawn, at 100 % and
at 200 %) and one `contact.png` of all of them.
"""

from __future__ import annotations

import argparse
import sys
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from facemerge import imaging
from facemerge.errors import FacemergeError
from facemerge.formats import icc, photo, report

Picture = NDArray[np.uint8]

MARGIN_SHARE = 0.15
"""How much is shown round a mask, as a share of its longer side."""
LINE = (0, 255, 255)
GAP = 8
CONTACT_WIDTH, CONTACT_COLUMNS = 640, 3
TEXT_PX = 16
PAPER, INK = (24, 24, 24), (235, 235, 235)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sight:
    """One swapped head, cut out."""

    name: str
    """The person's id."""
    label: str
    base: Picture
    """(h, w, 3)."""
    composite: Picture
    mask: Picture
    """(h, w)."""


def sights(out: Path, burst: Path) -> list[Sight]:
    """Return every swapped head of a finished run.

    Parameters
    ----------
    out
        A result that holds a composite.
    burst
        The folder of its frames.

    Raises
    ------
    FacemergeError
        If there is no result, or a picture cannot be read.
    FileNotFoundError
        If the result has no picture, or a mask or the base frame is missing.
    """
    told = report.read_report(out / "report.json")
    if told["composite"] is None:
        raise FileNotFoundError(f"{out} holds a report but no picture; only a merge makes one")
    base, merged = read(burst / told["base"]), read(out / told["composite"])
    if base.shape != merged.shape:
        raise FileNotFoundError(f"{burst / told['base']} is not the frame that {out} was made from")
    found = []
    for person in told["people"]:
        if person["mask"] is None:
            continue
        mask = cv2.imread(str(out / person["mask"]), cv2.IMREAD_UNCHANGED)
        if mask is None:
            raise FileNotFoundError(f"{out / person['mask']} cannot be read")
        eight = imaging.to_eight_bit(mask)
        part = _about(eight)
        if part is not None:
            found.append(
                Sight(
                    name=person["id"],
                    label=_label(person, told["base"]),
                    base=base[part],
                    composite=merged[part],
                    mask=eight[part],
                )
            )
    return found


def read(path: Path) -> Picture:
    """Return a picture as (H, W, 3) uint8 sRGB.

    Raises
    ------
    FacemergeError
        If it cannot be read.
    """
    (frame,), _ = photo.find_frames([path])
    pixels = icc.to_srgb(photo.read(frame), frame.profile)
    return np.asarray(imaging.to_eight_bit(pixels), np.uint8)


def _about(mask: Picture) -> tuple[slice, slice] | None:
    ys, xs = np.nonzero(mask)
    if not ys.size:
        return None
    margin = round(MARGIN_SHARE * max(np.ptp(xs), np.ptp(ys))) + 2
    top, left = max(0, int(ys.min()) - margin), max(0, int(xs.min()) - margin)
    return slice(top, int(ys.max()) + margin + 1), slice(left, int(xs.max()) + margin + 1)


def _label(person: dict[str, Any], base: str) -> str:
    said = "; ".join(person["reasons"])
    return f"{person['id']} from {person['pick']} in {base}: {person['flag']}, {person['risk']:.2f}: {said}"


def outlined(picture: Picture, mask: Picture, scale: int = 1) -> Picture:
    """Return a picture enlarged by whole pixels, with the line where its mask is half drawn one pixel wide.

    Parameters
    ----------
    picture : (h, w, 3) uint8
    mask : (h, w) uint8
    scale : int

    Returns
    -------
    (h * scale, w * scale, 3) uint8
    """
    large, half = enlarged(picture, scale).copy(), enlarged((mask > 127).astype(np.uint8), scale)
    lines, _ = cv2.findContours(half, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    return np.asarray(cv2.drawContours(large, lines, -1, LINE, 1), np.uint8)


def enlarged(picture: Picture, scale: int) -> Picture:
    """Return every pixel as a square of `scale` pixels: at 200 % one looks at pixels, not at a resampling."""
    return np.ascontiguousarray(picture.repeat(scale, axis=0).repeat(scale, axis=1))


def page(sight: Sight, scale: int) -> Picture:
    """Return base and composite above, and below the same with the seam's line, labelled."""
    plain = beside([enlarged(sight.base, scale), enlarged(sight.composite, scale)])
    drawn = beside([outlined(p, sight.mask, scale) for p in (sight.base, sight.composite)])
    gap = np.full((GAP, plain.shape[1], 3), PAPER, np.uint8)
    return np.vstack([caption(f"{sight.label} ({100 * scale} %)", plain.shape[1]), plain, gap, drawn])


def contact(all_of_them: Sequence[Sight]) -> Picture:
    """Return one sheet of all heads, each fitted to the same width."""
    tiles = []
    for sight in all_of_them:
        pair = beside([sight.base, sight.composite])
        high = max(1, round(pair.shape[0] * CONTACT_WIDTH / pair.shape[1]))
        small = np.asarray(imaging.resize(pair, (CONTACT_WIDTH, high)), np.uint8)
        tiles.append(np.vstack([caption(sight.label, CONTACT_WIDTH), small]))
    rows = [tiles[k : k + CONTACT_COLUMNS] for k in range(0, len(tiles), CONTACT_COLUMNS)]
    sheets = [beside(row) for row in rows]
    wide = max(s.shape[1] for s in sheets)
    return np.vstack([_padded(s, s.shape[0] + GAP, wide) for s in sheets])


def beside(pictures: Sequence[Picture]) -> Picture:
    """Return pictures in a row with gaps, their tops level."""
    high = max(p.shape[0] for p in pictures)
    gap = np.full((high, GAP, 3), PAPER, np.uint8)
    row = [q for p in pictures for q in (_padded(p, high, p.shape[1]), gap)]
    return np.hstack(row[:-1])


def _padded(picture: Picture, high: int, wide: int) -> Picture:
    sheet = np.full((high, wide, 3), PAPER, np.uint8)
    sheet[: picture.shape[0], : picture.shape[1]] = picture
    return sheet


def caption(words: str, wide: int) -> Picture:
    """Return words on a strip as wide as asked for, as high as they need."""
    font = ImageFont.load_default(size=TEXT_PX)
    # A letter of this face is on average about half as wide as it is high.
    lines = textwrap.wrap(words, max(10, int(wide / (0.55 * TEXT_PX)))) or [""]
    strip = Image.new("RGB", (wide, (TEXT_PX + 6) * len(lines) + 6), PAPER)
    ImageDraw.Draw(strip).multiline_text((4, 3), "\n".join(lines), fill=INK, font=font, spacing=6)
    return np.asarray(strip, np.uint8)


def write(found: Sequence[Sight], folder: Path, *, force: bool = False) -> list[Path]:
    """Write all pages and the contact sheet, and return where.

    Raises
    ------
    FileExistsError
        If the folder is not empty and `force` is not set. With it, only files of the same names are replaced.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())) and not force:
        raise FileExistsError(f"{folder} is not empty; give --force to replace earlier montages in it")
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for sight in found:
        for scale in (1, 2):
            written.append(folder / f"{sight.name}_{100 * scale}.png")
            Image.fromarray(page(sight, scale)).save(written[-1])
    if found:
        written.append(folder / "contact.png")
        Image.fromarray(contact(found)).save(written[-1])
    return written


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line; returns the exit code."""
    parser = argparse.ArgumentParser(
        description="Base and composite side by side at every seam of a finished run, at 100 % and 200 %."
    )
    parser.add_argument("out", type=Path, help="a finished result (report.json, composite, masks)")
    parser.add_argument("burst", type=Path, help="the folder of frames it was made from")
    parser.add_argument("-o", "--to", type=Path, required=True, metavar="FOLDER", help="where pages go")
    parser.add_argument("--force", action="store_true", help="replace earlier montages in FOLDER")
    given = parser.parse_args(arguments)
    try:
        written = write(sights(given.out, given.burst), given.to, force=given.force)
    except (FacemergeError, FileExistsError, FileNotFoundError) as error:
        print(f"montage: {error}", file=sys.stderr)
        return 1
    print(f"{given.to}: {len(written)} pictures" if written else "no head was set in: nothing to look at")
    return 0


if __name__ == "__main__":
    sys.exit(main())
