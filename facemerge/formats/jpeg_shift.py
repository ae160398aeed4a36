"""Whether a JPEG's pixels show that its code went wrong: from one unit on, brightness or colour is shifted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from facemerge.words import Array, Float

_CELLS = 128
"""Into how many cells a row of units is cut at most."""
_CELL = 32
_SAMPLES = 4
_STEP = 6.0
_SHARE = 0.25
_TRIED = 24
_LEAST = 4.0
_SHORTEST = 3
_SURE = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """How a JPEG's pixels are cut into the units (MCU) that are coded one after another."""

    unit: tuple[int, int]
    """(w, h) of a unit in pixels: 8 to 32."""
    interval: int
    """After how many units the code starts anew (ITU-T T.81, B.2.4.4); 0: never."""


def breaks_off(image: Array, grid: Grid) -> bool:
    return bool(_Rows(image, grid).found())


class _Rows:
    def __init__(self, image: Array, grid: Grid) -> None:
        self.image = image
        self.grid = grid
        h, w = image.shape[:2]
        self.wide, self.high = grid.unit
        self.units, self.down = -(-w // self.wide), -(-h // self.high)
        self.total = self.units * self.down
        self.group = 1 if grid.interval else max(1, round(max(_CELL, w / _CELLS) / self.wide))
        self.across = -(-self.units // self.group)

    def found(self):
        for start in self._starts():
            why = self._verified(start)
            if why:
                return why
        return ""

    # rough ---------------------------------------------------------------
    def _rough(self):
        h, w = self.image.shape[:2]
        width = self.wide * self.group
        cells, count = w // width, (h - 5) // self.high
        steps = np.zeros((self.down, self.across, 3), np.float32)
        weights = np.zeros((self.down, self.across, 3), np.float32)
        if cells and count > 0:
            far, above, below, on = (self._sampled(o, cells, count, width) for o in (-5, -2, 1, 4))
            within = (slice(1, count + 1), slice(cells))
            steps[within] = 1.5 * (below - above) - 0.5 * (on - far)
            weights[within] = (np.maximum(above, below) > 5) & (np.minimum(above, below) < 250)
        return steps.reshape(-1, 3), weights.reshape(-1, 3)

    def _sampled(self, offset, cells, count, width):
        first = self.high + offset
        rows = self.image[first : first + (count - 1) * self.high + 1 : self.high, : cells * width]
        x = 3 * ((width - _SAMPLES) // 2)
        picked = rows.reshape(count, cells, 3 * width)[..., x : x + 3 * _SAMPLES].astype(np.float32)
        mean = np.tile(np.eye(3, dtype=np.float32) / _SAMPLES, (_SAMPLES, 1))
        return (picked.reshape(-1, 3 * _SAMPLES) @ mean).reshape(count, cells, 3)

    def _ends(self, start: Any) -> Any:
        interval, total = self.grid.interval, self.across * self.down
        if not interval:
            return start * 0 + total
        return np.minimum((start // interval + 1) * interval, total)

    def _starts(self):
        steps, weights = self._rough()
        n = len(steps)
        sums, seen = (np.zeros((n + 1, 3), np.float32) for _ in "ab")
        np.cumsum(np.clip(steps, -_STEP, _STEP) * (weights / _STEP), axis=0, out=sums[1:])
        np.cumsum(weights, axis=0, out=seen[1:])
        a = np.arange(n)
        beside = max(4, self.across // 8)
        e = self._ends(a)
        b = np.minimum(e, a + self.across)
        lo, hi = np.maximum(a - beside, 0), np.minimum(b + beside, n)
        on, room = sums[b] - sums[a], seen[b] - seen[a]
        if self.grid.interval:
            c = np.minimum(np.maximum(e, a + self.across), n)
            d = np.minimum(e + self.across, n)
            on -= sums[d] - sums[c]
            room += seen[d] - seen[c]
        on = on / (room + 1)
        sign = np.sign(on)
        before = sign * (sums[a] - sums[lo]) / np.maximum(seen[a] - seen[lo], 1)
        after = sign * (sums[hi] - sums[b]) / np.maximum(seen[hi] - seen[b], 1)
        score = (np.abs(on) - np.maximum(np.maximum(before, after), 0)) * (room >= _SHORTEST)
        rank = score.max(axis=1)
        self.rank = rank
        apart = 2 if self.grid.interval else max(2, self.across // 4)
        found = []
        while len(found) < _TRIED and rank[best := int(rank.argmax())] > _SHARE:
            found.append(best // self.across * self.units + best % self.across * self.group)
            rank[max(0, best - apart) : best + apart + 1] = 0
        return found

    # close ----------------------------------------------------------------
    def _close(self, first: int, last: int, shift: int = 0):
        """Steps of the borders above unit rows first..last-1, flattened; (n,3) step, above, below."""
        h, w = self.image.shape[:2]
        n = (last - first) * self.units
        step, above, below = (np.full((last - first, self.units, 3), np.nan, np.float32) for _ in "abc")
        at = np.arange(0, w, self.wide)
        size = np.diff(np.append(at, w))[:, None].astype(np.float32)
        for r in range(max(first, 1), min(last, self.down)):
            y = r * self.high + shift
            if y + 6 > h or y < 6:
                continue
            part = self.image[y - 6 : y + 6].astype(np.float32)
            means = np.add.reduceat(part, at, axis=1) / size
            f, a, b, o = (means[i : i + 2].mean(axis=0) for i in (0, 3, 7, 10))
            step[r - first], above[r - first], below[r - first] = 5 / 3 * (b - a) - 2 / 3 * (o - f), a, b
        return step.reshape(n, 3), above.reshape(n, 3), below.reshape(n, 3)

    def _verified(self, rough: int) -> str:
        units = self.units
        row = rough // units
        zero = max(row - 2, 0) * units
        self.refs = None
        self._zero_row = max(row - 2, 0)
        step, above, below = self._close(self._zero_row, self._zero_row + 7)
        lost = ((np.maximum(above, below) < 4) | (np.minimum(above, below) > 251)).any(axis=1) | np.isnan(step).any(axis=1)
        z = np.where(lost[:, None], np.nan, step)
        best = None
        spread = 2 * self.group + 1
        for start in range(max(rough - spread, zero), rough + spread + 1):
            end = self._end_of(start)
            if end - start < 1:
                continue
            case = self._case(z, above, below, start - zero, end - zero)
            if case and (best is None or case[0] > best[0]):
                best = (*case, start, end)
        if best is None:
            return ""
        return self._judged(z, above, below, best, zero)

    def _end_of(self, start):
        interval = self.grid.interval
        return min((start // interval + 1) * interval, self.total) if interval else self.total

    def _sets(self, n, s, e):
        u = self.units
        b = min(e, s + u)
        turn = (s // u + 1) * u
        c, d = max(e, s + u), e + u
        plus = [np.arange(s, min(turn, b)), np.arange(min(turn, b), b)]
        turn2 = (c // u + 1) * u
        minus = [np.arange(c, min(turn2, d)), np.arange(min(turn2, d), d)] if self.grid.interval else []
        k = max(4, u // 8)
        off = [np.arange(max(s - k, 0), s), np.arange(b, b + k)]
        cut = lambda p: p[p < n]
        return [cut(p) for p in plus], [cut(p) for p in minus], [cut(p) for p in off]

    def _case(self, z, above, below, s, e):
        plus, minus, off = self._sets(len(z), s, e)
        v = np.concatenate([z[p] for p in plus] + [-z[p] for p in minus])
        v = v[~np.isnan(v[:, 0])]
        if len(v) < _SHORTEST:
            return None
        med = np.median(v, axis=0)
        ch = int(np.abs(med).argmax())
        h = float(med[ch])
        if abs(h) < _LEAST:
            return None
        # with clipping the median is too low: take the greatest that many share
        h2 = float(np.percentile(v[:, ch] * np.sign(h), 75)) * np.sign(h)
        w = np.clip(v[:, ch] / h, -1, 1)
        o = np.concatenate([z[p, ch] for p in off])
        o = o[~np.isnan(o)]
        flank = float(np.clip(np.concatenate([z[p, ch] for p in off]) / h, -1, 1)[~np.isnan(np.concatenate([z[p, ch] for p in off]))].mean()) if len(o) else 0.0
        return float(w.mean()) - max(flank, 0) + 0.02 * min(len(o), 4), ch, h

    def _expected(self, a, b, delta, sign):
        """What a step of delta looks like where it is cut at black and white."""
        if sign > 0:
            return np.clip(a + delta, 0, 255) - a
        return b - np.clip(b + delta, 0, 255)

    def _judged(self, z, above, below, best, zero):
        score, ch, h, start, end = best
        s, e = start - zero, end - zero
        plus, minus, off = self._sets(len(z), s, e)
        for _ in range(4):
            legs = self._legs(z, above, below, plus, minus, ch, h)
            ratios = np.concatenate([v / x for v, x, *_ in legs])
            if len(ratios) < _SHORTEST:
                return ""
            h *= float(np.clip(np.median(ratios), 0.5, 2))
        if abs(h) < _LEAST:
            return ""
        self.refs = [self._close(self._zero_row, self._zero_row + 7, k)[0][:, ch] for k in (-12, 12)]
        offs = [z[p, ch][~np.isnan(z[p, ch])] for p in off]
        ok = [p for _, _, p, _ in legs]
        luma = float(np.median(np.concatenate([sign * z[p] for _, _, p, sign in legs]), axis=0) @ [0.299, 0.587, 0.114])
        half = self.high == 16
        part = (luma + 0.25 * (h - luma)) / h if half else 1.0
        sides = [self._side(q, ch) / h for q in range(start - 1, start + 2) if q // self.units == start // self.units]
        sides = [q for q in sides if np.isfinite(q)]
        side = min(sides, key=lambda q: abs(q - 1)) if sides else float('nan')
        desc = [(len(v), round(float(np.median(v / x)), 2), round(_z(v, x), 1), round(self._tight(p, ch, x) / part, 2), self._quiet(v, x, p, h)) for v, x, p, _ in legs if len(v)]
        self.info = info = dict(row=start // self.units, col=start % self.units, units=self.units, end=end if self.grid.interval else 0, h=round(h, 1), ch=ch, score=round(score, 2), part=round(part, 2), legs=desc,
            off=[round(float(np.median(o)) / h, 2) for o in offs if len(o)], side=round(float(side), 2), goes=self._goes_on(legs, ch, h))
        if any(len(o) and np.median(o) / h > 0.5 for o in offs):
            return ""
        good = {}
        for i, (v, x, p, sign) in enumerate(legs):
            if len(v) >= _SHORTEST:
                q = self._quiet(v, x, p, h)
                if not (0.6 < np.median(v / x) < 1.6 and _z(v, x) > _SURE and 0.5 < self._tight(p, ch, x) / part < 1.7 and (q[1] < 3 or q[0] > 0.8)):
                    return ""
                good.setdefault(sign, []).append(i)
            elif len(v) and not 0.5 < np.median(v / x) < 1.6:
                return ""
        if any(len(g) > 1 for g in good.values()):
            return "corner " + str(info)
        if minus and good.get(1) and good.get(-1) and end - start <= self.units:
            far = -self._side(end, ch) / h
            if np.isfinite(far) and np.isfinite(side) and 0.5 < far < 1.6 and 0.5 < side < 1.6:
                return "enclosed " + str(info)
        return "goes " + str(info) if good and self._goes_on(legs, ch, h)[-1] else ""

    def _legs(self, z, above, below, plus, minus, ch, h):
        legs = []
        for sign, group in ((1, plus), (-1, minus)):
            for p in group:
                x = self._expected(above[p, ch], below[p, ch], h, sign)
                with np.errstate(invalid="ignore"):
                    ok = ~np.isnan(z[p, ch]) & (np.abs(x) > max(0.3 * abs(h), 3))
                legs.append((z[p[ok], ch], x[ok], p[ok], sign))
        return legs

    def _quiet(self, v, x, p, h):
        noise = np.fmax(np.abs(self.refs[0][p]), np.abs(self.refs[1][p]))
        q = noise < abs(h) / 4
        return (round(float(np.mean(np.abs(v[q] / x[q] - 1) < 0.4)), 2) if q.any() else 1.0, int(q.sum()))

    def _goes_on(self, legs, ch, h):
        found = []
        for v, x, p, sign in legs:
            for r in np.unique(p // self.units):
                cols = (p[p // self.units == r] % self.units)
                y = (int(r) + self._zero_row) * self.high
                if y < 16: continue
                px = (cols[:, None] * self.wide + np.arange(self.wide)).ravel()
                px = px[px < self.image.shape[1]]
                rows = self.image[y - 16 : y + 4, :, ch].astype(np.float32)
                m = [rows[i : i + 2].mean(axis=0) for i in (1, 5, 13, 17)]
                full = np.zeros(self.image.shape[1], bool); full[px] = True
                full &= (m[2] > 4) & (m[2] < 251) & (m[3] > 4) & (m[3] < 251)
                hp = [q - np.convolve(q, np.ones(33) / 33, "same") for q in m]
                found.append([q[full] for q in hp])
        if not found or sum(len(f[0]) for f in found) < 100:
            return (0, False)
        q = [np.concatenate([f[i] for f in found]) for i in range(4)]
        sd = [float(t.std()) + 1e-3 for t in q]
        on = float((q[2] * q[3]).mean() / sd[2] / sd[3]); ref = float((q[0] * q[1]).mean() / sd[0] / sd[1])
        ratio = sd[3] / sd[2]
        return (round(on, 2), round(ref, 2), round(ratio, 2), round(sd[2], 1), on > 0.5 and on > 0.7 * ref and 0.65 < ratio < 1.5 and sd[2] > 1.5)

    def _tight(self, p, ch, x):
        """Whether the step lies just between two units."""
        if not len(p):
            return 0.0
        base = self._zero_row
        rows = p // self.units + base
        cols = p % self.units
        out = []
        for r, c in zip(rows, cols):
            y = r * self.high
            part = self.image[y - 2 : y + 2, c * self.wide : (c + 1) * self.wide, ch].astype(np.float32).mean(axis=1)
            out.append(1.5 * (part[2] - part[1]) - 0.5 * (part[3] - part[0]))
        return float(np.median(np.array(out) / x))

    def _side(self, unit: int, channel: int) -> float:
        x, y = unit % self.units * self.wide, unit // self.units * self.high
        if x < 6 or x + 5 > self.image.shape[1] or y >= self.image.shape[0]:
            return float("nan")
        part = self.image[y : y + self.high, x - 5 : x + 5, channel].astype(np.float32)
        if part[:, 3].max() < 4 and part[:, 6].max() < 4 or part[:, 3].min() > 251 and part[:, 6].min() > 251:
            return float("nan")
        step = 1.5 * (part[:, 6] - part[:, 3]) - 0.5 * (part[:, 9] - part[:, 0])
        return float(np.median(step))


def _z(v, x):
    r = v - x
    middle = float(np.median(r))
    spread = 1.4826 * float(np.median(np.abs(r - middle)))
    error = 1.2533 * max(spread, 1.0) / np.sqrt(len(v))
    return abs(float(np.median(x)) + middle) / error
