"""Plants faults on clean composites and counts how many are found, by kind and by how well they can be seen.

    python scripts/plant_faults.py BURST [BURST...] [--each N] [--seed N]

The program sets heads into each burst as it would; on those it calls clear, faults are planted at random
places within 1.3 face widths of the face: smears, steps in tone, shifts, ghosts, scraps, blur, limbs cut off.
How strong one is, is what of it can be seen: the CIEDE2000 difference, grain averaged over 2 px, that a
twentieth of its pixels exceed. A fault is found if a place is named within 0.3 face widths of it. Then it
looks over pictures in which nothing was joined: everybody's surroundings in a frame, taken for a composite of
that frame and another one. Whatever it names there is a false alarm.
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000, rgb2lab

from facemerge import composite, faults, imaging, pipeline
from facemerge.formats import photo
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline import setting
from facemerge.pipeline.look import Album
from facemerge.words import Aligned, Analysis, Array, Decisions, Face, Head, Joint, frozen

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Rng = np.random.Generator
Plant = Callable[[Picture, Mask, float, float, Rng], Picture]

LEVELS = (1.0, 2.0, 4.0, 8.0, 16.0)
REACH_FACES, NEAR_FACES = 1.3, 0.3


def smear(picture: Picture, where: Mask, px: float, strength: float, rng: Rng) -> Picture:
    """Blur along one direction."""
    length = max(3, round(0.25 * px * strength)) | 1
    kernel = np.zeros((length, length), np.float32)
    kernel[length // 2] = 1 / length
    turn = cv2.getRotationMatrix2D((length // 2, length // 2), float(rng.uniform(0, 180)), 1)
    kernel = cv2.warpAffine(kernel, turn, (length, length))
    return np.asarray(cv2.filter2D(picture, -1, kernel / kernel.sum()))


def tone_step(picture: Picture, where: Mask, px: float, strength: float, rng: Rng) -> Picture:
    """Make it lighter or darker."""
    return np.asarray(np.clip(picture + rng.choice([-1, 1]) * 0.12 * strength, 0, 1), np.float32)


def shift(picture: Picture, where: Mask, px: float, strength: float, rng: Rng) -> Picture:
    """Move it."""
    turn = rng.uniform(0, 2 * np.pi)
    m = imaging.shift_matrix(*(0.12 * strength * px * np.array([np.cos(turn), np.sin(turn)])))
    return np.asarray(cv2.warpPerspective(picture, m, picture.shape[1::-1], borderMode=cv2.BORDER_REPLICATE))


def ghost(picture: Picture, where: Mask, px: float, strength: float, rng: Rng) -> Picture:
    """Let another place show through."""
    other = shift(picture, where, px, 3.0, rng)
    return np.asarray(picture + 0.5 * strength * (other - picture), np.float32)


def scrap(picture: Picture, where: Mask, px: float, strength: float, rng: Rng) -> Picture:
    """Lay a thin strip of another place over it."""
    other = shift(picture, where, px, 6.0, rng)
    y, x = np.nonzero(where)
    middle, turn = (int(x.mean()), int(y.mean())), rng.uniform(0, np.pi)
    away = (0.12 * px * np.array([np.cos(turn), np.sin(turn)])).round().astype(int)
    line = np.zeros(where.shape, np.uint8)
    ends = (
        (middle[0] - int(away[0]), middle[1] - int(away[1])),
        (middle[0] + int(away[0]), middle[1] + int(away[1])),
    )
    cv2.line(line, *ends, 1, max(1, round(0.03 * px * strength)))
    return np.where(line[..., None] > 0, other, picture).astype(np.float32)


def blur_step(picture: Picture, where: Mask, px: float, strength: float, rng: Rng) -> Picture:
    """Make it soft."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), max(0.5, 0.04 * px * strength)))


def cut_off(picture: Picture, where: Mask, px: float, strength: float, rng: Rng) -> Picture:
    """Put what lies beside in its place."""
    return shift(picture, where, px, 1.5 + 2.5 * strength, rng)


KINDS: dict[str, Plant] = {
    "smear": smear,
    "step in tone": tone_step,
    "shift": shift,
    "ghost": ghost,
    "scrap": scrap,
    "blur": blur_step,
    "cut off": cut_off,
}


def visible(one: Picture, other: Picture, where: NDArray[np.bool_]) -> float:
    """Return the CIEDE2000 that a twentieth of a planted fault's pixels exceed, grain averaged over 2 px."""
    a, b = (cv2.GaussianBlur(p, (0, 0), 2.0) for p in (one, other))
    return float(np.percentile(deltaE_ciede2000(rgb2lab(a[where]), rgb2lab(b[where])), 95))


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """One planted fault."""

    kind: str
    seen: float
    found: bool
    flagged: bool
    seconds: float


def plant_on(
    head: Head, before: Array, face: Face, each: int, options: Options, rng: np.random.Generator
) -> Iterator[Tried]:
    """Plant faults on one clean head and look it over again."""
    px = face.box[2] - face.box[0]
    (x0, y0), (h, w) = head.offset, head.mask.shape
    middle = np.array([(face.box[0] + face.box[2]) / 2 - x0, (face.box[1] + face.box[3]) / 2 - y0])
    finished = imaging.to_unit(composite.lay(before, [dataclasses.replace(head, offset=(0, 0))]))
    yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
    for kind, plant in KINDS.items():
        for _ in range(each):
            at = middle + px * REACH_FACES * np.sqrt(rng.uniform()) * _direction(rng)
            if not (0.2 * px < at[0] < w - 0.2 * px and 0.2 * px < at[1] < h - 0.2 * px):
                continue
            axes = px * rng.uniform(0.08, 0.16, 2)
            where = ((xx - at[0]) / axes[0]) ** 2 + ((yy - at[1]) / axes[1]) ** 2 < 1
            changed = plant(finished, where, px, float(rng.uniform(0.05, 1.0) ** 1.5), rng)
            out = np.where(where[..., None], changed, finished)
            spoilt = dataclasses.replace(
                head,
                pixels=frozen(imaging.from_unit(out, before.dtype)),
                mask=frozen(
                    np.where(where, imaging.full_scale(head.mask), head.mask).astype(head.mask.dtype)
                ),
            )
            # Outside the fault the head is as it was laid: its pixels there are the finished picture's.
            begin = time.process_time()
            places = faults.find(before, spoilt, px)
            taken = time.process_time() - begin
            risk = faults.assess(places, spoilt, options.risk, face.box)
            far = [np.hypot(x - x0 - at[0], y - y0 - at[1]) for x, y in risk.places]
            yield Tried(
                kind=kind,
                seen=visible(out, finished, where),
                found=bool(far) and min(far) < NEAR_FACES * px,
                flagged=risk.flag != "clear",
                seconds=taken,
            )


def _direction(rng: np.random.Generator) -> NDArray[np.float64]:
    turn = rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(turn), np.sin(turn)])


def clean_heads(analysis: Analysis, album: Album, options: Options) -> Iterator[tuple[Head, Array, Face]]:
    """Yield heads that the program sets in and calls clear, what each lies on, and the face in the base."""
    made = setting.settle(analysis, album, Decisions(), photo.read, options)
    under = made.base
    for head in made.heads:
        (x, y), (h, w) = head.offset, head.mask.shape
        person = next(p for p in analysis.people if p.id == head.person)
        face = person.faces[made.choice.base]
        if isinstance(face, Face) and made.risks[head.person].flag == "clear":
            yield head, under[y : y + h, x : x + w].copy(), face
        under = composite.lay(under, [head])


def untouched(analysis: Analysis, options: Options) -> Iterator[tuple[int, str]]:
    """Yield how many places are named, and the flag, where nothing was joined at all.

    Everybody's surroundings in each frame, saved once more as a file would be, are taken for a composite of
    that frame and the next one.
    """
    usable = [i for i, a in enumerate(analysis.alignments) if isinstance(a, Aligned)]
    for frame, other in itertools.pairwise(usable):
        picture, donor = (photo.read(analysis.frames[f]) for f in (frame, other))
        placed = cv2.warpPerspective(
            donor,
            analysis.base_from_frame(frame, other),
            picture.shape[1::-1],
            borderMode=cv2.BORDER_REPLICATE,
        )
        saved = cv2.imdecode(
            cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 92])[1], cv2.IMREAD_COLOR
        )
        for person in analysis.people:
            face = person.faces[frame]
            if not isinstance(face, Face):
                continue
            px = face.box[2] - face.box[0]
            x0, y0 = (max(0, int(v - px)) for v in face.box[:2])
            x1, y1 = int(face.box[2] + px), int(face.box[3] + 1.5 * px)
            part = np.s_[y0:y1, x0:x1]
            head = Head(
                person=person.id,
                offset=(x0, y0),
                pixels=frozen(saved[part]),
                mask=frozen(np.full(saved[part].shape[:2], 255, np.uint8)),
                joint=Joint(),
                placement="homography",
                unblended=frozen(placed[part]),
            )
            places = faults.find(picture[part], head, px)
            risk = faults.assess(places, head, options.risk, face.box)
            yield len(risk.places), risk.flag


def main(words: list[str] | None = None) -> int:
    """Print both tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("burst", nargs="+", type=Path)
    parser.add_argument("--each", type=int, default=12, help="faults of each kind on each head (default 12)")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(words)
    rng, options, models = np.random.default_rng(asked.seed), Options(), Models()
    tried: list[Tried] = []
    named: list[tuple[int, str]] = []
    for burst in asked.burst:
        frames, _ = photo.find_frames([burst])
        analysis, album = pipeline.analyse(frames, photo.read, models, options)
        for head, before, face in clean_heads(analysis, album, options):
            tried += plant_on(head, before, face, asked.each, options, rng)
        named += untouched(analysis, options)
    levels = list(zip((0.0, *LEVELS), (*LEVELS, np.inf), strict=True))
    print("| planted | " + " | ".join(f"seen {a:g} to {b:g}" for a, b in levels) + " |")
    print("| --- |" + " --- |" * (len(LEVELS) + 1))
    for kind in (*KINDS, "all"):
        cells = []
        for a, b in levels:
            of = [t for t in tried if kind in (t.kind, "all") and a <= t.seen < b]
            cells.append(f"{sum(t.found for t in of)}/{len(of)}" if of else "")
        print(f"| {kind} | " + " | ".join(cells) + " |")
    took = [t.seconds for t in tried]
    longest, usual = max(took, default=0.0), np.mean(took or [0.0])
    print(f"\nPlanted {len(tried)}; a look took {usual:.2f} CPU s, at most {longest:.2f}.")
    ringed, flagged = sum(n > 0 for n, _ in named), sum(f != "clear" for _, f in named)
    print(f"Untouched {len(named)}: a place named on {ringed}, flagged {flagged}.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
