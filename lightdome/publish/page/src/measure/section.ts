// A cross-section of the height, and the groove that is read from it.
//
// The rule: both shoulders are the first and the last SHOULDER of the section; a straight line through their mean
// heights is taken away.  Depth: from that line to the mean over a pixel about the lowest point.  Width: between the
// points on either side of the lowest where the section first rises through half the depth.  How far the shoulders lie
// off their line is part of the uncertainty: one end in another groove makes the figures worth little, and says so.

import type { Field } from '../plate';
import { reading_mm, type Point } from './lengths';
import { along } from './products';
import type { Quantity } from './quantity';
import { words } from '../words';

const SHOULDER = 0.15;
const STEPS_PER_PIXEL = 2;
const UM_PER_MM = 1000;

export interface Section {
  /** From the first point, mm. */
  distance_mm: Float64Array;
  height_um: Float64Array;
  /** Standard; NaN where unknown. */
  u_um: Float64Array;
  /** Heights of the line through both shoulders at both ends; null where it cannot be drawn. */
  shoulders_um: [number, number] | null;
  /** Where the section crosses half the depth, mm; null where there is no groove. */
  half_mm: [number, number] | null;
  figures: Quantity[];
}

export async function sectionOf(field: Field, from: Point, to: Point): Promise<Section> {
  const length_mm = Math.hypot(to[0] - from[0], to[1] - from[1]);
  const count = Math.max(8, Math.ceil((length_mm / field.pitch_mm) * STEPS_PER_PIXEL)) + 1;
  const share = (index: number) => index / (count - 1);
  const points = Array.from({ length: count }, (_, index): Point => [
    from[0] + share(index) * (to[0] - from[0]),
    from[1] + share(index) * (to[1] - from[1]),
  ]);
  const [height_um, u_um] = await Promise.all([
    along(field, 'height', points),
    along(field, 'height_uncertainty', points),
  ]);
  const distance_mm = Float64Array.from(points, (_, index) => share(index) * length_mm);
  return readGroove({ distance_mm, height_um, u_um, shoulders_um: null, half_mm: null, figures: [] }, field);
}

/** Width and depth by the rule above; without both shoulders and a bottom there are none. */
export function readGroove(section: Section, field: Field): Section {
  const { distance_mm, height_um, u_um } = section;
  const count = height_um.length;
  const end = Math.max(2, Math.floor(SHOULDER * count));
  const left = meanOf(distance_mm, height_um, u_um, 0, end);
  const right = meanOf(distance_mm, height_um, u_um, count - end, count);
  if (!left || !right) return section;
  const rise = (right.height - left.height) / (right.at - left.at);
  const lineAt = (at: number) => left.height + rise * (at - left.at);
  const below = height_um.map((height, index) => lineAt(distance_mm[index]) - height);
  let lowest = -1;
  for (let index = end; index < count - end; index += 1) {
    if (Number.isFinite(below[index]) && (lowest < 0 || below[index] > below[lowest])) lowest = index;
  }
  const shoulders_um: [number, number] = [lineAt(0), lineAt(distance_mm[count - 1])];
  if (lowest < 0) return { ...section, shoulders_um };
  const bottom = meanOf(distance_mm, below, u_um, lowest - STEPS_PER_PIXEL / 2, lowest + STEPS_PER_PIXEL / 2 + 1);
  if (!bottom || !(bottom.height > 0)) return { ...section, shoulders_um };
  const depth = bottom.height;
  const halved = (u: number | null) => u && u / 2;
  const uneven = Math.max(scatterOf(below, 0, end), scatterOf(below, count - end, count));
  const u_depth = rootOf(bottom.u, halved(left.u), halved(right.u), uneven);
  const figures: Quantity[] = [{ name: words.measure.depth, value: depth, unit: 'µm', u: u_depth }];
  const before = crossing(distance_mm, below, lowest, -1, depth / 2);
  const after = crossing(distance_mm, below, lowest, 1, depth / 2);
  if (!before || !after) return { ...section, shoulders_um, figures };
  const width_mm = after.at - before.at;
  const u_half = rootOf(bottom.u, left.u, right.u, uneven);
  const u_width_mm = Math.hypot(
    Math.SQRT2 * reading_mm(field),
    width_mm * (field.u_pitch_rel ?? 0),
    ...[before, after].map(({ slope }) => (u_half ?? 0) / 2 / slope),
  );
  figures.push({ name: words.measure.width, value: width_mm * UM_PER_MM, unit: 'µm', u: u_width_mm * UM_PER_MM });
  return { ...section, shoulders_um, figures, half_mm: [before.at, after.at] };
}

interface Mean {
  at: number;
  height: number;
  /** Heights near each other are wrong together: averaging makes them no surer. */
  u: number | null;
}

function meanOf(at: Float64Array, heights: Float64Array, u: Float64Array, first: number, last: number): Mean | null {
  let [n, place, height, squares, known] = [0, 0, 0, 0, true];
  for (let index = Math.max(0, first); index < Math.min(last, heights.length); index += 1) {
    if (!Number.isFinite(heights[index])) continue;
    n += 1;
    place += at[index];
    height += heights[index];
    squares += u[index] ** 2;
    known = known && Number.isFinite(u[index]);
  }
  if (n === 0) return null;
  return { at: place / n, height: height / n, u: known ? Math.sqrt(squares / n) : null };
}

/** Root mean square of what is known of a part; 0 where nothing is. */
function scatterOf(values: Float64Array, first: number, last: number): number {
  const known = values.slice(first, last).filter(Number.isFinite);
  return known.length ? Math.sqrt(known.reduce((sum, value) => sum + value * value, 0) / known.length) : 0;
}

function crossing(at: Float64Array, below: Float64Array, start: number, way: 1 | -1, level: number): { at: number; slope: number } | null {
  for (let index = start; index + way >= 0 && index + way < below.length; index += way) {
    const [here, next] = [below[index], below[index + way]];
    if (!Number.isFinite(next)) return null;
    if (here >= level && next < level) {
      const step = at[index + way] - at[index];
      return { at: at[index] + (step * (here - level)) / (here - next), slope: Math.abs((here - next) / step) };
    }
  }
  return null;
}

function rootOf(...parts: (number | null)[]): number | null {
  return parts.includes(null) ? null : Math.hypot(...(parts as number[]));
}
