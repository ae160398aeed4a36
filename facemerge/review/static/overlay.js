// The seam and the mask as they are drawn over the picture: light and dark together, to be seen on anything.

const HATCH_PX = 3;

/** Draw a mask into a canvas; `still` says whether it is wanted once it has come. */
export async function drawTouched(canvas, url, { line, mask }, still) {
  const image = new Image();
  image.src = url;
  await image.decode().catch(() => undefined);
  if (!still()) return;
  const context = canvas.getContext("2d", { willReadFrequently: true });
  canvas.width = image.naturalWidth || 1;
  canvas.height = image.naturalHeight || 1;
  if (!image.naturalWidth) return;
  context.drawImage(image, 0, 0);
  const given = context.getImageData(0, 0, canvas.width, canvas.height);
  const alpha = Uint8ClampedArray.from({ length: canvas.width * canvas.height }, (_, k) => given.data[4 * k + 3]);
  given.data.fill(0);
  if (mask) hatch(given.data, alpha, canvas.width);
  if (line) seam(given.data, alpha, canvas.width, canvas.height);
  context.putImageData(given, 0, 0);
}

function hatch(out, alpha, width) {
  for (let k = 0; k < alpha.length; k += 1) {
    const stripe = Math.floor(((k % width) + Math.floor(k / width)) / HATCH_PX) % 2;
    out.set([255 * stripe, 255 * stripe, 255 * stripe, Math.round(0.42 * alpha[k])], 4 * k);
  }
}

// The seam is where the mask is one half: white, between dark neighbours.
function seam(out, alpha, width, height) {
  const inside = (x, y) => x >= 0 && y >= 0 && x < width && y < height && alpha[y * width + x] >= 128;
  const put = (x, y, grey) => {
    if (x < 0 || y < 0 || x >= width || y >= height) return;
    out.set([grey, grey, grey, 255], 4 * (y * width + x));
  };
  const line = [];
  for (let y = 0; y < height; y += 1) {
    for (let x = 0; x < width; x += 1) {
      if (!inside(x, y)) continue;
      if (inside(x - 1, y) && inside(x + 1, y) && inside(x, y - 1) && inside(x, y + 1)) continue;
      line.push([x, y]);
    }
  }
  for (const [x, y] of line) for (const [dx, dy] of [[-1, 0], [1, 0], [0, -1], [0, 1]]) put(x + dx, y + dy, 16);
  for (const [x, y] of line) put(x, y, 255);
}
