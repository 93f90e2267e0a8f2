// Sq and Sa (ISO 25178-2) of the heights in a box, after their plane is taken away.

export interface Roughness {
  sq_um: number;
  sa_um: number;
  pixels: number;
}

/** Null where fewer than nine heights are known. */
export function roughnessOf(heights: Float64Array, columns: number): Roughness | null {
  // about the middle of what is known: the normal equations of a plane then fall apart into a mean and two slopes
  let [n, sx, sy, sz] = [0, 0, 0, 0];
  heights.forEach((z, index) => {
    if (!Number.isFinite(z)) return;
    n += 1;
    sx += index % columns;
    sy += Math.floor(index / columns);
    sz += z;
  });
  if (n < 9) return null;
  const [mx, my, mz] = [sx / n, sy / n, sz / n];
  let [xx, xy, yy, xz, yz] = [0, 0, 0, 0, 0];
  heights.forEach((z, index) => {
    if (!Number.isFinite(z)) return;
    const [x, y] = [(index % columns) - mx, Math.floor(index / columns) - my];
    xx += x * x;
    xy += x * y;
    yy += y * y;
    xz += x * (z - mz);
    yz += y * (z - mz);
  });
  const determinant = xx * yy - xy * xy;
  if (!(determinant > 0)) return null;
  const slopeX = (xz * yy - yz * xy) / determinant;
  const slopeY = (yz * xx - xz * xy) / determinant;
  let [squares, sizes] = [0, 0];
  heights.forEach((z, index) => {
    if (!Number.isFinite(z)) return;
    const rest = z - mz - slopeX * ((index % columns) - mx) - slopeY * (Math.floor(index / columns) - my);
    squares += rest * rest;
    sizes += Math.abs(rest);
  });
  return { sq_um: Math.sqrt(squares / n), sa_um: sizes / n, pixels: n };
}
