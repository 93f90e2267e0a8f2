// Lengths and areas on the plate, with what the pixel pitch and the size of a pixel leave uncertain.

import type { Field } from '../plate';

export type Point = [x_mm: number, y_mm: number];

/** Points of a text such as "-1.5, 0; 1.5, 0", mm; a number without its partner is left out. */
export function pointsFrom(text: string): Point[] {
  const numbers = text.match(/[-+−]?\d+(\.\d+)?/g)?.map((number) => Number(number.replace('−', '-'))) ?? [];
  return Array.from({ length: Math.floor(numbers.length / 2) }, (_, at): Point => [numbers[2 * at], numbers[2 * at + 1]]);
}

interface Uncertain {
  value: number;
  u: number;
}

/** Standard uncertainty of a coordinate that is read to the pixel: a rectangle one pixel wide. */
export function reading_mm(field: Field): number {
  return field.pitch_mm / Math.sqrt(12);
}

/** Length of a line through points, mm: u from the pitch, and from reading both ends. */
export function lengthOf(points: Point[], field: Field): Uncertain {
  let length = 0;
  for (let at = 1; at < points.length; at += 1) {
    length += Math.hypot(points[at][0] - points[at - 1][0], points[at][1] - points[at - 1][1]);
  }
  const pitch = length * (field.u_pitch_rel ?? 0);
  return { value: length, u: Math.hypot(pitch, Math.SQRT2 * reading_mm(field)) };
}

/** Area of a polygon without its closing point, mm2: u from the pitch, and from reading every corner. */
export function areaOf(ring: Point[], field: Field): Uncertain {
  let twice = 0;
  let squares = 0;
  ring.forEach(([x, y], at) => {
    const before = ring[(at + ring.length - 1) % ring.length];
    const after = ring[(at + 1) % ring.length];
    twice += x * after[1] - after[0] * y;
    squares += (after[0] - before[0]) ** 2 + (after[1] - before[1]) ** 2;
  });
  const area = Math.abs(twice) / 2;
  const read = (reading_mm(field) / 2) * Math.sqrt(squares);
  return { value: area, u: Math.hypot(2 * area * (field.u_pitch_rel ?? 0), read) };
}
