// Where to cut across a mark: through its middle, square to it, long enough for shoulders on both sides.

import type { Field } from '../plate';
import type { Point } from '../measure/lengths';
import type { Mark } from './marks';

const WIDTHS = 2.5; // of the mark to either side
const LEAST_PIXELS = 12; // of the photograph to either side

export function across(mark: Mark, field: Field): [Point, Point] {
  const reach = Math.max(LEAST_PIXELS * field.pitch_mm, (WIDTHS * (mark.width_um ?? 0)) / 1000);
  const line = mark.geometry.type === 'LineString' ? (mark.geometry.coordinates as Point[]) : null;
  if (line && line.length > 1) {
    const { at, way } = middleOf(line);
    return cut(at, [-way[1], way[0]], reach);
  }
  const points = pointsOf(mark.geometry.coordinates);
  const xs = points.map(([x]) => x);
  const ys = points.map(([, y]) => y);
  const [west, east, south, north] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const upright = north - south > east - west;
  const half = (upright ? east - west : north - south) / 2;
  return cut([(west + east) / 2, (south + north) / 2], upright ? [1, 0] : [0, 1], half + reach);
}

/** Every position of a GeoJSON geometry. */
export function pointsOf(coordinates: unknown): Point[] {
  if (!Array.isArray(coordinates)) return [];
  return typeof coordinates[0] === 'number' ? [coordinates as unknown as Point] : coordinates.flatMap(pointsOf);
}

function cut([x, y]: Point, [dx, dy]: Point, reach: number): [Point, Point] {
  return [
    [x - dx * reach, y - dy * reach],
    [x + dx * reach, y + dy * reach],
  ];
}

function middleOf(line: Point[]): { at: Point; way: Point } {
  const lengths = line.slice(1).map((point, index) => Math.hypot(point[0] - line[index][0], point[1] - line[index][1]));
  let left = lengths.reduce((sum, length) => sum + length, 0) / 2;
  let index = 0;
  while (index < lengths.length - 1 && left > lengths[index]) {
    left -= lengths[index];
    index += 1;
  }
  const [from, to] = [line[index], line[index + 1]];
  const length = lengths[index] || 1;
  const way: Point = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
  return { at: [from[0] + way[0] * left, from[1] + way[1] * left], way };
}
