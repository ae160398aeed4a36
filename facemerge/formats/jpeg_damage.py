"""Whether a JPEG that the decoder took without a word is damaged: what its tables and its pixels tell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

import cv2
import numpy as np

from facemerge.words import Array, Float

_STEP = 6.0
"""A step between two rows of units that a viewer would see, of 255."""
_LEAST = 4.0
"""Lower steps are not looked at: what they do to the picture is at most 8 steps after rounding and colour."""
_SHORTEST = 3
"""Cells: fewer tell nothing of an edge."""
_CELL = 32
"""The width in pixels over which a step is averaged where the code never starts anew."""
_SAMPLES = 4
_TRIED = 12
_SHARE = 0.35
_SEEN = 0.4
_SURE = 4.0
"""How many standard errors a step must be away from none."""
_BESIDE = 8
_STRAY = 64
"""Bytes between segments: more are the rest of a segment whose length is wrong."""


# ITU-T T.81 (1992), tables K.1 and K.2, and figure A.6.
_LUMINANCE = (
    *(16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55),
    *(14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62),
    *(18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92),
    *(49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99),
)
_CHROMINANCE = (
    *(17, 18, 24, 47, 99, 99, 99, 99, 18, 21, 26, 66, 99, 99, 99, 99),
    *(24, 26, 56, 99, 99, 99, 99, 99, 47, 66, 99, 99, 99, 99, 99, 99),
    *(99,) * 32,
)
_ZIGZAG = sorted(
    range(64), key=lambda i: (i // 8 + i % 8, i // 8 if (i // 8 + i % 8) % 2 else i % 8)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """How a JPEG's pixels are cut into the units (MCU) that are coded one after another."""

    unit: tuple[int, int]
    """(w, h) of a unit in pixels: 8 to 32."""
    interval: int
    """After how many units the code starts anew (ITU-T T.81, B.2.4.4); 0: never."""


def parts(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Yield marker, start and end of the segments of a JPEG up to its first scan, fill bytes passed over."""
    at = 2
    while at + 4 <= len(data):
        marker = data[at + 1]
        if data[at] != 0xFF or marker == 0xFF:
            at += 1
        elif 0xD0 <= marker <= 0xD8 or marker in (0, 1):
            at += 2
        else:
            end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
            yield marker, at, end
            if marker in (0xDA, 0xD9):
                return
            at = end


def grid_of(data: bytes) -> Grid | None:
    """Return how the pixels are coded, or None if the file does not say so plainly."""
    unit, interval = None, 0
    for marker, start, end in parts(data):
        body = data[start + 4 : end]
        if marker in (0xC0, 0xC1, 0xC2, 0xC9, 0xCA) and len(body) >= 9:
            factors = [body[7 + 3 * i] for i in range(min(body[5], (len(body) - 6) // 3))]
            # A single component is coded block by block, whatever its factors (A.2.2).
            alone = len(factors) == 1
            unit = (8, 8) if alone else (8 * max(f >> 4 for f in factors), 8 * max(f & 15 for f in factors))
        elif marker == 0xDD and len(body) == 2:
            interval = int.from_bytes(body, "big")
    return None if unit is None else Grid(unit=unit, interval=interval)


def plain(data: bytes) -> bytes:
    """Return a JPEG without what decoders warn of although nothing of the picture depends on it.

    Stray bytes between the segments before the picture, which some cameras write, and segments of
    applications are left out, but for the two that say what the colours are; a version of JFIF and the
    parameters of a sequential scan, which decoders do not need, are put right (ITU-T T.81, B.2.3).
    """
    kept, at, stray, sequential = [data[:2]], 2, 0, True
    for marker, start, end in parts(data):
        stray += len(data[at:start].strip(b"\xff"))
        at, body = end, data[start:end]
        sequential = sequential and marker not in (0xC2, 0xCA)
        if marker == 0xE0 and body[4:9] == b"JFIF\0":
            kept.append(b"\xff\xe0\0\x10JFIF\0\1\1\0\0\1\0\1\0\0")
        elif marker == 0xDA and sequential and len(body) > 7:
            kept.append(body[:-3] + b"\0\x3f\0")
        elif not (0xE0 <= marker <= 0xED or marker in (0xEF, 0xFE)):
            kept.append(body)
    return b"".join([*kept, data[at:]]) if stray <= _STRAY else data


def has_wrong_tables(data: bytes) -> bool:
    """Return whether a table before the picture is one that no encoder writes.

    A quantisation table made by the usual formula (the tables of ITU-T T.81, K.1, scaled as the library of
    the Independent JPEG Group does) but for a few entries; a Huffman table with a value twice or with one
    that no 8-bit picture has (T.81, F.1.2: categories up to 11 for means, 10 for the rest).
    """
    for marker, start, end in parts(data):
        body = data[start + 4 : end]
        if marker == 0xDB and any(_is_almost_usual(t) for t in _quantisations(body)):
            return True
        if marker == 0xC4 and not _are_possible(body):
            return True
    return False


def _quantisations(body: bytes) -> Iterator[Array]:
    while len(body) >= 65 and body[0] >> 4 == 0:
        yield np.frombuffer(body[1:65], np.uint8).astype(int)
        body = body[65:]


def _is_almost_usual(table: Array) -> bool:
    scaled = _usual()
    near = np.abs(scaled - table) > np.maximum(2, scaled // 4)
    return bool(((scaled == table).sum(axis=1) >= 58).any() and near[(scaled == table).sum(axis=1) >= 58].any(axis=1).all())


@cache
def _usual() -> Array:
    """Return the tables of the formula, (198, 64), in the order in which files have them."""
    quality = np.arange(1, 100)
    scale = np.where(quality < 50, 5000 // quality, 200 - 2 * quality)[:, None]
    made = [np.clip((np.array(t) * scale + 50) // 100, 1, 255)[:, _ZIGZAG] for t in (_LUMINANCE, _CHROMINANCE)]
    return np.concatenate(made)


def _are_possible(body: bytes) -> bool:
    while len(body) >= 17:
        count = sum(body[1:17])
        values = body[17 : 17 + count]
        most = 10 if body[0] >> 4 else 11
        if len(set(values)) < len(values) or any(v & 15 > most for v in values):
            return False
        body = body[17 + count :]
    return True


def breaks_off(image: Array, grid: Grid) -> bool:
    """Return whether brightness or colour jumps at a unit in the middle of a row and stays so.

    A wrong bit in the code of a JPEG shifts the mean of every later unit, since each is coded as the
    difference from the one before it (ITU-T T.81, F.1.1.5.1): in the picture the shift begins at one unit
    and runs on, row after row, to the end or to the next start of the code. Its upper border is therefore a
    step of one height along the rest of this row of units and, a row lower, along its beginning. Edges of
    the scene do not do so.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 as stored.
    grid
        How it was coded.
    """
    return _Rows(image, grid).broken()


class _Rows:
    """The steps between the rows of units of a picture, cell by cell."""

    def __init__(self, image: Array, grid: Grid) -> None:
        self.image = image
        self.grid = grid
        uw, self.high = grid.unit
        self.wide = uw if grid.interval else max(uw, _CELL)
        h, w = image.shape[:2]
        self.across, self.down = -(-w // self.wide), -(-h // self.high)
        self.total = self.across * self.down
        self.steps = np.zeros((self.total, 3), np.float32)
        """By how much each cell's top differs from what lies above, less the slope on both sides."""
        self.weights = np.zeros((self.total, 3), np.float32)
        """0 to 1: the share of its pixels that are not clipped."""
        self._measure()

    def _measure(self) -> None:
        h, w = self.image.shape[:2]
        cells, count = w // self.wide, (h - 5) // self.high
        if cells < 1 or count < 1:
            return
        far, above, below, on = (self._row(offset, cells, count) for offset in (-5, -2, 1, 4))
        # Colour that is stored at half size is smoothed over two rows on either side of the border.
        step = 3 * (below - above) - (on - far)
        seen = ((np.minimum(above, below) > 5) & (np.maximum(above, below) < 250)).astype(np.int16)
        step *= seen
        shape = (count, cells, _SAMPLES, 3)
        number = seen.reshape(shape).sum(axis=2, dtype=np.int16)
        total = step.reshape(shape).sum(axis=2, dtype=np.int16)
        within = (slice(1, count + 1), slice(cells))
        self.steps.reshape(self.down, self.across, 3)[within] = total / (2 * np.maximum(number, 1)).astype(np.float32)
        self.weights.reshape(self.down, self.across, 3)[within] = number * np.float32(1 / _SAMPLES)

    def _row(self, offset: int, cells: int, count: int) -> Array:
        """Return pixels from the middle of every cell, in the row so far from its top."""
        first, high = self.high + offset, self.high
        rows = self.image[first : first + (count - 1) * high + 1 : high, : cells * self.wide]
        x = 3 * ((self.wide - _SAMPLES) // 2)
        picked = rows.reshape(count, cells, 3 * self.wide)[..., x : x + 3 * _SAMPLES]
        return picked.astype(np.int16)

    def broken(self) -> bool:
        """Return whether a shift is found."""
        return any(self._runs_on(s) or self._is_enclosed(s) for s in self._starts())

    def _end(self, start: Any) -> Any:
        """Return where a shift that begins at a cell ends."""
        interval = self.grid.interval
        if not interval:
            return start * 0 + self.total
        return np.minimum((start // interval + 1) * interval, self.total)

    def _starts(self) -> list[int]:
        """Return the cells at which a shift may begin, the likeliest first."""
        sums = np.zeros((self.total + 1, 3), np.float32)
        seen = np.zeros((self.total + 1, 3), np.float32)
        np.cumsum(np.clip(self.steps, -_STEP, _STEP) * (self.weights / _STEP), axis=0, out=sums[1:])
        np.cumsum(self.weights, axis=0, out=seen[1:])
        if self.grid.interval:
            start = np.arange(self.total)
            end = self._end(start)
            a, b = start, np.minimum(end, start + self.across)
            c = np.minimum(np.maximum(end, start + self.across), self.total)
            d = np.minimum(end + self.across, self.total)
            both = sums[b] - sums[a] - (sums[d] - sums[c])
            room = seen[b] - seen[a] + seen[d] - seen[c]
        else:
            last = self.total - self.across
            both, room = sums[-1] - sums[:-1], seen[-1] - seen[:-1]
            both[:last] = sums[self.across : -1] - sums[:last]
            room[:last] = seen[self.across : -1] - seen[:last]
        score, room = np.abs(both).max(axis=1), room.min(axis=1)
        # A short border that is plain counts as a long one does, as far as chance goes.
        rank = np.where((room >= _SHORTEST) & (score > _SHARE * room), score / np.sqrt(room + 1e-6), 0)
        found: list[int] = []
        while len(found) < _TRIED and rank[best := int(rank.argmax())] > 0:
            found.append(best)
            rank[max(0, best - 2) : best + 3] = 0
        return found

    def _part(self, first: int, last: int) -> Array:
        """Return which cells of a stretch can be seen."""
        cells = np.arange(max(first, 0), min(last, self.total))
        return cells[self.weights[cells].min(axis=1) > _SEEN]

    def _runs_on(self, start: int) -> bool:
        """Return whether a step of one height begins at a cell and runs once around to the next row."""
        if self._end(start) < start + self.across:
            return False
        turn = (start // self.across + 1) * self.across
        pieces = [self._part(start, turn), self._part(turn, start + self.across)]
        pieces = [p for p in pieces if len(p) >= _SHORTEST]
        if not pieces:
            return False
        channel, height = self._height(self.steps[np.concatenate(pieces)])
        # What is next to the border, in the same two rows, must not have the step: an edge of the scene has it.
        beside = max(_BESIDE, self.across // 4)
        around = [self._part(start - beside, start), self._part(start + self.across, start + self.across + beside)]
        if (
            abs(height) < _LEAST
            or not all(_has(self.steps[p, channel], height) and self._on_grid(p, channel, height) for p in pieces)
            or any(len(p) and float(np.median(self.steps[p, channel])) / height > 0.4 for p in around)
        ):
            return False
        if len(pieces) == 2:
            return True
        return all(self._is_shifted(p, channel, height) for p in pieces) and self._begins(start, channel, height)

    @staticmethod
    def _height(steps: Float) -> tuple[int, float]:
        middle = np.median(steps, axis=0)
        channel = int(np.abs(middle).argmax())
        return channel, float(middle[channel])

    def _on_grid(self, cells: Array, channel: int, height: float) -> bool:
        """Return whether the step lies just between two units; a slanting edge crosses there but once."""
        rows = [self._profile(cells, o, channel) for o in (-2, -1, 0, 1)]
        tight = (1.5 * (rows[2] - rows[1]) - 0.5 * (rows[3] - rows[0])).reshape(len(cells), -1).mean(axis=1)
        # Colour stored at half size leaves a quarter of it.
        return float(np.median(tight)) / height > 0.18

    def _profile(self, cells: Array, offset: int, channel: int) -> Float:
        """Return the pixels of a row of each cell, counted from its top, (cells, width)."""
        y = cells // self.across * self.high + offset
        x = (cells % self.across * self.wide)[:, None] + np.arange(self.wide)
        return np.asarray(self.image[y[:, None], np.minimum(x, self.image.shape[1] - 1), channel], np.float32)

    def _is_shifted(self, cells: Array, channel: int, height: float) -> bool:
        """Return whether the scene goes on across the step, brighter or darker by one amount."""
        above = self._profile(cells, -2, channel).mean(axis=1)
        below = self._profile(cells, 1, channel).mean(axis=1)
        a, b = above - above.mean(), below - below.mean()
        if len(cells) < 2 * _SHORTEST or float(np.sqrt((a**2).mean())) < 8:
            return False
        slope = float(a @ b / (a @ a))
        rest = float(np.sqrt(((b - slope * a) ** 2).mean()))
        return 0.9 < slope < 1.1 and rest < 0.5 * abs(height)

    def _begins(self, start: int, channel: int, height: float) -> bool:
        """Return whether there is a step to the left of the cell too, unless that is the picture's side."""
        sides = [self._side(s, channel) / height for s in range(start - 1, start + 2) if s // self.across == start // self.across]
        sides = [s for s in sides if np.isfinite(s)]
        return start % self.across == 0 or any(0.6 < s < 1.5 for s in sides)

    def _is_enclosed(self, start: int) -> bool:
        """Return whether a shift that begins at a cell ends where the code starts anew: a step on every side."""
        end = int(self._end(start))
        if not self.grid.interval or end - start < _SHORTEST or end - start > self.across:
            return False
        top, bottom = self._part(start, end), self._part(start + self.across, end + self.across)
        if min(len(top), len(bottom)) < _SHORTEST:
            return False
        channel, height = self._height(np.concatenate([self.steps[top], -self.steps[bottom]]))
        if abs(height) < _LEAST:
            return False
        sides = [self._side(start, channel) / height, -self._side(end, channel) / height]
        known = [s for s in sides if np.isfinite(s)]
        near = [
            float(np.mean(np.abs(self.steps[p, channel] / h - 1) < 0.4)) for p, h in ((top, height), (bottom, -height))
        ]
        return (
            bool(known)
            and all(0.5 < s < 1.6 for s in known)
            and min(near) > 0.6
            and self._on_grid(top, channel, height)
            and self._on_grid(bottom, channel, -height)
        )

    def _side(self, cell: int, channel: int) -> float:
        """Return by how much a cell differs from what is to its left; not finite at the picture's side."""
        x, y = cell % self.across * self.wide, cell // self.across * self.high
        if x < 6 or x + 5 > self.image.shape[1] or y >= self.image.shape[0]:
            return float("nan")
        part = self.image[y : y + self.high, x - 5 : x + 5, channel].astype(np.float32)
        step = 1.5 * (part[:, 6] - part[:, 3]) - 0.5 * (part[:, 9] - part[:, 0])
        return float(np.median(step))


def _has(steps: Float, height: float) -> bool:
    """Return whether steps have one height, as far as the texture of the scene lets one see."""
    middle = float(np.median(steps))
    spread = 1.4826 * float(np.median(np.abs(steps - middle)))
    # 1.2533: how much wider than a mean's the error of a median is (normal distribution).
    error = 1.2533 * max(spread, 1.0) / np.sqrt(len(steps))
    return 0.6 < middle / height < 1.6 and abs(middle) > _SURE * error


_APART = 10
"""Steps of 255 by which a thumbnail may differ from its picture: it is a JPEG too, and shrunk otherwise."""


def leaves_thumbnail(image: Array, thumbnail: Array) -> bool:
    """Return whether a picture is as its thumbnail shows it down to one row, and from there on is not.

    A thumbnail that is unlike the picture in other ways says nothing: who edits a picture often leaves it.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 as stored.
    thumbnail
        (h, w, 3) RGB uint8; bars above and below, or at the sides, are allowed for.
    """
    (h, w), (th, tw) = image.shape[:2], thumbnail.shape[:2]
    factor = min(tw / w, th / h)
    cw, ch = round(w * factor), round(h * factor)
    if min(cw, ch) < 32 or min(h / ch, w / cw) < 2:
        return False
    x, y = (tw - cw) // 2, (th - ch) // 2
    shown = thumbnail[y : y + ch, x : x + cw]
    rows = np.ascontiguousarray(image[(np.arange(2 * ch) * 2 + 1) * h // (4 * ch)])
    small = cv2.resize(rows, (cw, ch), interpolation=cv2.INTER_AREA)
    a, b = (cv2.blur(part, (3, 3)).astype(np.int16)[2:-2, 2:-2] for part in (small, shown))
    plain = (np.minimum(a, b).min(axis=2) > 8) & (np.maximum(a, b).max(axis=2) < 247)
    bad = (np.abs(a - b).max(axis=2) > _APART) & plain
    share = bad.sum(axis=1) / np.maximum(plain.sum(axis=1), cw // 8)
    wrong = np.flatnonzero(share > 0.5)
    if len(wrong) < 2 or wrong[0] < 4:
        return False
    first = int(wrong[0])
    return bool(share[: first - 1].max() < 0.08 and share[first:].min() > 0.4)


def thumbnail_of(data: bytes) -> bytes | None:
    """Return the JPEG thumbnail in a JPEG's Exif segment (CIPA DC-008, 4.6.5), or None."""
    exif = next((data[s + 10 : e] for m, s, e in parts(data) if m == 0xE1 and data[s + 4 : s + 10] == b"Exif\0\0"), None)
    if exif is None or exif[:2] not in (b"II", b"MM"):
        return None
    order: Literal["little", "big"] = "little" if exif[:2] == b"II" else "big"

    def number(at: int, size: int) -> int:
        return int.from_bytes(exif[at : at + size], order)

    first = number(4, 4)
    second = number(first + 2 + 12 * number(first, 2), 4)
    entries = [second + 2 + 12 * i for i in range(min(number(second, 2), 64))] if second else []
    found = {number(e, 2): number(e + 8, 4) for e in entries}
    start, length = found.get(0x0201, 0), found.get(0x0202, 0)
    jpeg = exif[start : start + length]
    return jpeg if length and jpeg.startswith(b"\xff\xd8") else None
