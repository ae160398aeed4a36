// Which part of the picture is seen, and how large. Pure: base pixels in, page pixels out.

/**
 * @param {[number, number]} size of the picture, base pixels
 * @param {[number, number]} stage width and height of what shows it, page pixels
 * @param {"fit" | 1 | 2} zoom
 * @param {[number, number]} centre base pixels; pixel centres lie at integers
 * @param {number} ratio screen pixels in a page pixel: 100 % is one pixel of the file on one of the screen
 */
export function place(size, stage, zoom, centre, ratio) {
  const fit = Math.min(stage[0] / size[0], stage[1] / size[1]);
  const scale = zoom === "fit" ? fit : zoom / ratio;
  const start = [0, 1].map((k) => {
    const long = size[k] * scale;
    if (long <= stage[k]) return (stage[k] - long) / 2;
    return Math.min(0, Math.max(stage[k] - long, stage[k] / 2 - (centre[k] + 0.5) * scale));
  });
  return { scale, left: start[0], top: start[1] };
}

/** The base pixel under a place of the stage. */
export const toBase = (at, x, y) => [(x - at.left) / at.scale - 0.5, (y - at.top) / at.scale - 0.5];

/** The place of the stage over which a base pixel lies. */
export const toStage = (at, x, y) => [(x + 0.5) * at.scale + at.left, (y + 0.5) * at.scale + at.top];

/** The whole pixels of the picture that are seen, at most `most` a side once zoomed, round the middle. */
export function part(size, stage, zoom, at, most = 1600) {
  const cut = [at.left, at.top].map((start, k) => {
    const low = Math.max(0, Math.floor(-start / at.scale));
    const high = Math.min(size[k], Math.ceil((stage[k] - start) / at.scale));
    const long = Math.min(high - low, Math.floor(most / zoom));
    return [low + Math.floor((high - low - long) / 2), long];
  });
  return { x: cut[0][0], y: cut[1][0], w: cut[0][1], h: cut[1][1] };
}
