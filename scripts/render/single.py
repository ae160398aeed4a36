"""One head on a plain backdrop, in any state and light, with the truth of what is drawn."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from . import mesh, portrait
from .burst import expose
from .front import Front
from .head import Expression
from .mesh import Floats
from .paint import Pixels, to_linear, to_srgb
from .person import Person
from .plan import FACE_CM, MOUTHS, START, Shot
from .shade import LIGHT
from .view import View

BACKDROP = np.array([0.62, 0.68, 0.73], np.float32)


FULL = 0.995  # of the scale, linear: no detail is left from here on
EMPTY = 0.0009  # linear: 3 of 255 in sRGB


class Head(NamedTuple):
    """A drawn head and what is true of it; pixel centres lie at integers."""

    picture: NDArray[np.uint8]
    """(H, W, 3) sRGB."""
    landmarks: Floats
    """(468, 2) px, where the points are whether they are seen or not."""
    face: NDArray[np.bool_]
    """(H, W): inside the face's oval."""
    hidden: Pixels
    """(H, W) in [0, 1]: how much of the face's light a hand, hair, a lens and the like keep back."""
    covered: float
    """Mean of `hidden` over `face`."""
    opening: Floats
    """(2,) subject's right and left: height of the lid opening over its width, of the drawn mesh."""
    irises: Floats
    """(2, 2) px, middle of the right and of the left iris."""
    blown: NDArray[np.bool_]
    """(H, W): all channels at the end of the scale before noise."""
    crushed: NDArray[np.bool_]
    """(H, W): all channels at most 3 of 255 before noise."""


def _openings(marks: Floats) -> Floats:
    """Mean of three heights over the width between the corners, (2,)."""
    out = []
    for rows in (
        (mesh.RIGHT_UPPER_LID, mesh.RIGHT_LOWER_LID),
        (mesh.mirrored(mesh.RIGHT_UPPER_LID), mesh.mirrored(mesh.RIGHT_LOWER_LID)),
    ):
        upper, lower = (marks[list(r)] for r in rows)
        gap = np.linalg.norm(upper[3:6] - lower[3:6], axis=1).mean()
        out.append(gap / np.linalg.norm(upper[0] - upper[-1]))
    return np.array(out)


def _field(colour: Pixels, alpha: Pixels, face: NDArray[np.bool_]) -> Pixels:
    """Where light falls first: towards the key light, and where the skin is bright already; (H, W)."""
    ys, xs = np.nonzero(face)
    wide = np.ptp(xs)
    gy, gx = np.mgrid[: face.shape[0], : face.shape[1]].astype(np.float32)
    along = ((gx - xs.mean()) * LIGHT[0] - (gy - ys.mean()) * LIGHT[1]) / wide
    grey = cv2.GaussianBlur((colour.mean(2) / np.maximum(alpha, 0.05)), (0, 0), 0.05 * wide)
    spread = float(grey[face].std()) + 1e-3
    # Only the face's own shades bend the edge of the light; cloth and hair lie as the face beside them.
    shade = np.clip((grey - grey[face].mean()) / spread, -1.2, 1.2) * face
    shade = cv2.GaussianBlur(shade.astype(np.float32), (0, 0), 0.02 * wide)
    out: Pixels = (along + 0.10 * shade).astype(np.float32)
    return out


def _solve(share: Callable[[float], float], wanted: float) -> float:
    """The edge at which a share that falls with the edge is the wanted one."""
    low, high = -3.0, 3.0
    for _ in range(18):
        middle = (low + high) / 2
        low, high = (middle, high) if share(middle) >= wanted else (low, middle)
    return low


def _sunlit(colour: Pixels, alpha: Pixels, face: NDArray[np.bool_], hot: float, crushed: float) -> Pixels:
    """Premultiplied colour with a share of the face lit beyond white and a share below black."""
    plain = to_linear(np.clip(colour / np.maximum(alpha, 1e-3)[..., None], 0, 1))
    field = _field(colour, alpha, face)
    # Light falls off over a fifth of the face, as it does round a cheek.
    soft = 0.22
    ranks, skin = field[face], plain[face]
    changed = plain
    if hot:

        def sun(edge: float, light: Pixels, place: Pixels) -> Pixels:
            reach = np.clip((place - edge) / soft + 1, 0, 1)
            return light * (1 + (gain - 1) * reach[..., None] ** 3)

        gain = 1.05 / max(float(np.quantile(skin.min(1)[ranks >= np.quantile(ranks, 1 - hot)], 0.05)), 0.004)
        edge = _solve(lambda e: float((sun(e, skin, ranks).min(1) >= FULL).mean()), hot)
        changed = sun(edge, changed, field)
    if crushed:

        def shade(edge: float, light: Pixels, place: Pixels) -> Pixels:
            reach = np.clip((edge - place) / soft + 1, 0, 1)
            return light * black ** (reach[..., None] ** 2)

        lightest = np.quantile(skin.max(1)[ranks <= np.quantile(ranks, crushed)], 0.95)
        black = min(EMPTY / max(float(lightest), EMPTY), 1.0)
        edge = -_solve(lambda e: float((shade(-e, skin, ranks).max(1) <= EMPTY).mean()), crushed)
        changed = shade(edge, changed, field)
    out: Pixels = (to_srgb(changed) * alpha[..., None]).astype(np.float32)
    return out


def _front(front: Front | None, extra: dict[str, Any]) -> Front:
    if front is not None and extra:
        raise TypeError(f"give either front or {sorted(extra)}")
    return front if front is not None else Front(**extra)


def render_head_with_truth(
    person: Person,
    *,
    width_px: float,
    rng: np.random.Generator,
    close: float = 0.0,
    smile: float = 0.3,
    squash: float = 0.0,
    mouth_open: float = 0.0,
    turn_deg: float = 0.0,
    tilt_deg: float = 0.0,
    nod_deg: float = 0.0,
    gaze_x_deg: float = 0.0,
    gaze_y_deg: float = 0.0,
    tongue: float = 0.0,
    blur_px: float = 0.0,
    motion_px: float = 0.0,
    motion_deg: float = 0.0,
    squash_kind: str | None = None,
    red_eye: float = 0.0,
    stops: float = 0.0,
    hot: float = 0.0,
    crushed: float = 0.0,
    grain: float = 1.6,
    supersample: float = 2.0,
    front: Front | None = None,
    **before: Any,
) -> Head:
    """Draw one head on a plain backdrop and tell what was drawn.

    Parameters
    ----------
    person : Person
    width_px : float
        Width of the face, px; the picture is about 1.9 times as wide.
    rng : numpy.random.Generator
        Sensor noise, and the kind of a spoiled mouth if none is given.
    close, smile, squash, mouth_open, tongue : float
        In [0, 1].
    turn_deg, tilt_deg, nod_deg : float
        Positive turns to the picture's right, leans to the picture's right, lowers the chin.
    gaze_x_deg, gaze_y_deg : float
        Turn of the eyes away from the camera, positive to the picture's right and down; eyes that stay with
        a turned head look along turn_deg and nod_deg.
    blur_px, motion_px, motion_deg : float
        Defocus (standard deviation) and motion (length, direction).
    squash_kind : {"word", "side", "pout", "grimace"}, optional
    red_eye : float
        Flash given back by the pupils, in [0, 1].
    stops : float
        Exposure against the usual one.
    hot, crushed : float
        Share of the face blown out by sun, or lost in shadow, in [0, 0.9]; together below 0.9.
    grain : float
        8-bit steps.
    supersample : float
    front : Front, optional
        What stands before the face; its fields may be given one by one instead (dark_glasses, glare,
        hair_over_eye, covered, covered_by, covered_from).

    Returns
    -------
    Head
    """
    hiding = _front(front, before)
    kind = squash_kind or str(rng.choice(MOUTHS))
    expression = Expression(
        close=close,
        smile=smile,
        squash=squash,
        squash_kind=kind,
        mouth_open=mouth_open,
        turn_deg=turn_deg,
        nod_deg=nod_deg,
        tilt_deg=tilt_deg,
        gaze_x_deg=gaze_x_deg,
        gaze_y_deg=gaze_y_deg,
        tongue=tongue,
    )
    per_cm = width_px / FACE_CM
    height, width = round(33 * per_cm), round(29 * per_cm)
    view = View(
        x=width / 2,
        y=15.5 * per_cm,
        px_per_cm=per_cm,
        homography=np.eye(3),
        origin=(0, 0),
        shape=(height, width),
        supersample=supersample,
    )
    drawn = portrait.draw_person(person, expression, view, hiding, red_eye)
    oval = np.rint(drawn.landmarks[list(mesh.FACE_OVAL)] * 16).astype(np.int32)
    face = cv2.fillPoly(np.zeros((height, width), np.uint8), [oval], 1, cv2.LINE_8, 4) > 0
    if hot or crushed:
        drawn = drawn._replace(colour=_sunlit(drawn.colour, drawn.alpha, face, hot, crushed))
    colour, alpha = portrait.smear(drawn, blur_px, motion_px, motion_deg)
    image = colour + BACKDROP * (1 - alpha[..., None])
    gain = float(2.0**stops)
    shot = Shot(
        index=0, homography=np.eye(3), gain=gain, time=START, moments=(), grain_seed=int(rng.integers(2**62))
    )
    picture = expose(image.astype(np.float32), shot, grain)
    light = to_linear(image) * gain
    full = light >= FULL
    if stops or hot:
        # A full photosite has no noise.
        picture[full] = 255
    return Head(
        picture,
        drawn.landmarks,
        face,
        drawn.hidden,
        float(drawn.hidden[face].mean()),
        _openings(drawn.landmarks),
        drawn.irises,
        full.all(2),
        light.max(2) <= EMPTY,
    )


def render_head(
    person: Person, *, width_px: float, rng: np.random.Generator, **drawn: Any
) -> NDArray[np.uint8]:
    """Draw one head on a plain backdrop; the picture of `render_head_with_truth`, same arguments.

    Returns
    -------
    (H, W, 3) uint8
        SRGB.
    """
    return render_head_with_truth(person, width_px=width_px, rng=rng, **drawn).picture
