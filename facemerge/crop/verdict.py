"""What a crop costs: what is lost, who is cut, who is too near the edge, and how fine the print will be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from facemerge.crop.fit import LEAST_PPI, Crop, Sheet, Sitter
from facemerge.crop.paper import INCH_MM

NEAR_MM = 5.0
"""A head nearer to what may be trimmed looks cramped (common practice, no source)."""
SIDES = ("left", "top", "right", "bottom")
FRAMED_PX = 2.0
"""Who comes so near to the picture's own edge is taken to be cut by it already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """Somebody's head that is not whole."""

    id: str
    side: str
    """One of SIDES."""
    share: float
    """How much of its width or height is cut off, in [0, 1]."""
    length: float
    """The same in inches of print, or in pixels where the paper's size is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What is to be said of one crop."""

    lost: tuple[float, float, float, float]
    """Share of the picture's width or height cut off left, above, right, below."""
    lost_in: tuple[float, float, float, float] | None
    """The same in inches at the print's scale; None where the paper's size is not known."""
    kept: float
    """Share of the picture's area that is kept."""
    ppi: float | None
    """Pixels of the picture an inch of print; None likewise."""
    cuts: tuple[Cut, ...]
    warnings: tuple[str, ...]
    """Plain sentences."""


def judge(
    size: tuple[int, int],
    sitters: Sequence[Sitter],
    sheet: Sheet,
    crop: Crop,
    *,
    unit: str,
    canvas: tuple[int, int] | None = None,
    least_ppi: float = LEAST_PPI,
) -> Verdict:
    """Return what is to be said of a crop.

    Parameters
    ----------
    size
        (W, H) of the picture.
    sitters
        Who is in it.
    sheet, crop
        The paper and the crop.
    unit
        'in' or 'cm' in which lengths are told; '' if the sheet is only a shape.
    canvas
        (W, H) of the crop with the white around it; None: there is none.
    least_ppi
        Below, it is said that the print will look soft.
    """
    w, h = size
    wide, high = canvas or (crop.width, crop.height)
    ppi = max(wide / sheet.width, high / sheet.height) if unit else None
    lost_px = (crop.x, crop.y, w - crop.right, h - crop.bottom)
    cuts = tuple(c for s in sitters for c in _cuts(size, s, crop, ppi))
    white = ((wide - crop.width) / 2, (high - crop.height) / 2)
    warnings = [
        *_cut_words(cuts, unit),
        *_framed(size, sitters),
        *(_edge_words(sitters, crop, sheet, ppi, white, unit) if ppi else ()),
        *_body_words(size, sitters, crop, ppi, sheet, white, unit),
    ]
    if ppi is not None and ppi < least_ppi:
        warnings.append(
            f"Only {ppi:.0f} pixels an inch: below about {least_ppi:.0f} a print looks soft in the hand."
        )
    left, top, right, bottom = lost_px
    return Verdict(
        lost=(left / w, top / h, right / w, bottom / h),
        lost_in=None if ppi is None else (left / ppi, top / ppi, right / ppi, bottom / ppi),
        kept=crop.width * crop.height / (w * h),
        ppi=ppi,
        cuts=cuts,
        warnings=tuple(warnings),
    )


def length(inches: float, unit: str) -> str:
    """Return a length on paper in words: '0.3 in', '8 mm'."""
    if unit == "in":
        return f"{inches:.2f} in" if inches < 0.995 else f"{inches:.1f} in"
    return f"{inches * INCH_MM:.0f} mm"


def _cuts(size: tuple[int, int], who: Sitter, crop: Crop, ppi: float | None) -> list[Cut]:
    x0, y0, x1, y1 = who.head
    # What the picture itself does not have, no crop takes away.
    x0, y0, x1, y1 = max(x0, 0.0), max(y0, 0.0), min(x1, size[0]), min(y1, size[1])
    over = (crop.x - x0, crop.y - y0, x1 - crop.right, y1 - crop.bottom)
    extent = (x1 - x0, y1 - y0) * 2
    return [
        Cut(id=who.id, side=side, share=min(1.0, px / whole), length=px / ppi if ppi else px)
        for side, px, whole in zip(SIDES, over, extent, strict=True)
        if px > 1e-6
    ]


def _at(side: str) -> str:
    return {"left": "at the left", "right": "at the right", "top": "at the top", "bottom": "below"}[side]


def _cut_words(cuts: Sequence[Cut], unit: str) -> list[str]:
    said = []
    for cut in cuts:
        if cut.share >= 1:
            said.append(f"{cut.id}'s head lies outside, {_at(cut.side)}.")
            continue
        how_far = f"{length(cut.length, unit)}, " if unit else ""
        whole = "width" if cut.side in ("left", "right") else "height"
        said.append(
            f"{cut.id}'s head is cut {_at(cut.side)}: {how_far}{100 * cut.share:.0f} % of its {whole}."
        )
    return said


def _framed(size: tuple[int, int], sitters: Sequence[Sitter]) -> list[str]:
    return [
        f"{s.id}'s head reaches the edge of the picture itself."
        for s in sitters
        if min(s.head[0], s.head[1], size[0] - s.head[2], size[1] - s.head[3]) < FRAMED_PX
    ]


def _edge_words(
    sitters: Sequence[Sitter],
    crop: Crop,
    sheet: Sheet,
    ppi: float,
    white: tuple[float, float],
    unit: str,
) -> list[str]:
    said = []
    for who in sitters:
        x0, y0, x1, y1 = who.head
        clear = {
            "left": x0 - crop.x + white[0],
            "top": y0 - crop.y + white[1],
            "right": crop.right - x1 + white[0],
            "bottom": crop.bottom - y1 + white[1],
        }
        # Below a chin is a neck: nothing there looks cramped.
        side, px = min(((s, d) for s, d in clear.items() if s != "bottom"), key=lambda item: item[1])
        clear_in = px / ppi
        if 0 <= clear_in < sheet.trim:
            said.append(
                f"{who.id}'s head is only {length(clear_in, unit)} from the edge {_at(side)}: "
                "trimming may cut it."
            )
        elif 0 <= clear_in < sheet.trim + NEAR_MM / INCH_MM:
            said.append(f"{who.id}'s head is close to the edge {_at(side)}: {length(clear_in, unit)}.")
    return said


def _body_words(
    size: tuple[int, int],
    sitters: Sequence[Sitter],
    crop: Crop,
    ppi: float | None,
    sheet: Sheet,
    white: tuple[float, float],
    unit: str,
) -> list[str]:
    """Return for each side whose shoulder or arm is cut there or may be trimmed, those who reach farthest."""
    said = []
    for side, at, edge in (("left", 0, 0.0), ("right", 1, float(size[0]))):
        # What the picture's own edge cuts is not the crop's doing.
        reach = [
            (s.id, (crop.x - s.body[0], s.body[1] - crop.right)[at])
            for s in sitters
            if s.body is not None and abs(s.body[at] - edge) >= FRAMED_PX
        ]
        trim_px = sheet.trim * ppi - white[0] if ppi else 0.0
        cut = [(who, px) for who, px in reach if px > 1]
        near = [(who, px) for who, px in reach if -trim_px < px <= 1]
        if cut:
            most = max(px for _, px in cut)
            how_far = length(most / ppi, unit) if ppi else f"{most:.0f} px"
            said.append(f"A shoulder or arm of {_named(cut)} is cut {_at(side)}, by up to {how_far}.")
        elif near:
            said.append(f"A shoulder or arm of {_named(near)} may be trimmed {_at(side)}.")
    return said


def _named(reach: Sequence[tuple[str, float]]) -> str:
    names = [who for who, _ in sorted(reach, key=lambda item: -item[1])]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
