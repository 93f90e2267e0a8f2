// Measured products at full resolution: never an overview, never a display layer.

import { Cog } from '../cog';
import { toPixel } from '../frame';
import type { Field } from '../plate';
import type { Point } from './lengths';

const opened = new Map<string, Promise<Cog>>();
const PART_PX = 256; // of a line that is read at a time, so that a long one does not read the whole plate

export type Measured = 'height' | 'height_uncertainty' | 'normals' | 'normal_uncertainty' | 'reflectance' | 'curvature' | 'class';

export function product(field: Field, name: Measured): Promise<Cog> | null {
  const address = field.measured[name];
  if (!address) return null;
  let cog = opened.get(address);
  if (!cog) {
    cog = Cog.open(address);
    opened.set(address, cog);
    cog.catch(() => opened.delete(address));
  }
  return cog;
}

/** Value of the pixel at a place, for each band; null outside the field or where there is no product. */
export async function pixelAt(field: Field, name: Measured, [x, y]: Point, bands: number[]): Promise<number[] | null> {
  const file = product(field, name);
  const [row, column] = toPixel(field, x, y).map(Math.round);
  if (!file || row < 0 || column < 0 || row >= field.shape[0] || column >= field.shape[1]) return null;
  const read = await (await file).window([row, row + 1, column, column + 1], bands);
  return read.map((band) => band[0]);
}

/** First band along points of the plate, bilinear between pixel centres; NaN where unknown or outside. */
export async function along(field: Field, name: Measured, points: Point[]): Promise<Float64Array> {
  const values = new Float64Array(points.length).fill(Number.NaN);
  const file = product(field, name);
  if (!file) return values;
  const cog = await file;
  const at = points.map(([x, y]) => toPixel(field, x, y));
  for (let first = 0; first < at.length; ) {
    let last = first;
    const box = new Box();
    while (last < at.length && box.with(at[last], PART_PX)) last += 1;
    const window = box.within(field.shape);
    if (window) {
      const [band] = await cog.window(window, [0]);
      for (let index = first; index < last; index += 1) values[index] = bilinear(band, window, at[index]);
    }
    first = last;
  }
  return values;
}

/** First band of all pixels whose centres lie in a box of the plate. */
export async function inside(
  field: Field,
  name: Measured,
  [west, south, east, north]: number[],
): Promise<{ values: Float64Array; rows: number; columns: number } | null> {
  const file = product(field, name);
  if (!file) return null;
  const [top, left] = toPixel(field, west, north);
  const [bottom, right] = toPixel(field, east, south);
  const row0 = Math.max(0, Math.ceil(top));
  const column0 = Math.max(0, Math.ceil(left));
  const row1 = Math.min(field.shape[0], Math.floor(bottom) + 1);
  const column1 = Math.min(field.shape[1], Math.floor(right) + 1);
  if (row1 <= row0 || column1 <= column0) return null;
  const [values] = await (await file).window([row0, row1, column0, column1], [0]);
  return { values, rows: row1 - row0, columns: column1 - column0 };
}

class Box {
  private low: [number, number] = [Infinity, Infinity];
  private high: [number, number] = [-Infinity, -Infinity];

  /** Take a pixel in, unless the box would grow beyond `most`; the first is always taken. */
  with([row, column]: [number, number], most: number): boolean {
    const low: [number, number] = [Math.min(this.low[0], row), Math.min(this.low[1], column)];
    const high: [number, number] = [Math.max(this.high[0], row), Math.max(this.high[1], column)];
    if (Math.max(high[0] - low[0], high[1] - low[1]) > most) return false;
    this.low = low;
    this.high = high;
    return true;
  }

  within([rows, columns]: [number, number]): [number, number, number, number] | null {
    const row0 = Math.max(0, Math.floor(this.low[0]));
    const column0 = Math.max(0, Math.floor(this.low[1]));
    const row1 = Math.min(rows, Math.floor(this.high[0]) + 2);
    const column1 = Math.min(columns, Math.floor(this.high[1]) + 2);
    return row1 > row0 && column1 > column0 ? [row0, row1, column0, column1] : null;
  }
}

function bilinear(band: Float64Array, [row0, row1, column0, column1]: number[], [row, column]: [number, number]): number {
  // the outer half of an edge pixel takes that pixel's value
  const inRow = Math.min(Math.max(row, row0), row1 - 1);
  const inColumn = Math.min(Math.max(column, column0), column1 - 1);
  if (Math.abs(inRow - row) > 0.5 || Math.abs(inColumn - column) > 0.5) return Number.NaN;
  const [r, c] = [Math.min(Math.floor(inRow), Math.max(row0, row1 - 2)), Math.min(Math.floor(inColumn), Math.max(column0, column1 - 2))];
  const [fr, fc] = [inRow - r, inColumn - c];
  const width = column1 - column0;
  const value = (dr: number, dc: number) => band[(r - row0 + dr) * width + (c - column0 + dc)];
  const rowAt = (dr: number) => (fc === 0 ? value(dr, 0) : (1 - fc) * value(dr, 0) + fc * value(dr, 1));
  return fr === 0 ? rowAt(0) : (1 - fr) * rowAt(0) + fr * rowAt(1);
}
