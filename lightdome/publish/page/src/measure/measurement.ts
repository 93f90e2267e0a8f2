// One measurement: what was drawn, and the figures that come of it.

import type { Field } from '../plate';
import { words } from '../words';
import { areaOf, lengthOf, type Point } from './lengths';
import { inside } from './products';
import type { Quantity } from './quantity';
import { roughnessOf } from './roughness';
import { sectionOf, type Section } from './section';

export type Kind = 'distance' | 'area' | 'section' | 'roughness';

export interface Measurement {
  number: number;
  kind: Kind;
  side: string;
  field: string;
  points: Point[];
  figures: Quantity[];
  section: Section | null;
  /** The rule that the figures follow. */
  note: string;
}

const MOST_PIXELS = 4_000_000;

export async function measure(kind: Kind, points: Point[], field: Field, number: number): Promise<Measurement> {
  const base = { number, kind, side: field.side, field: field.field, points, section: null };
  const pitchKnown = field.u_pitch_rel === null ? words.measure.pitchUnknown : words.measure.pitchKnown;
  switch (kind) {
    case 'distance': {
      const { value, u } = lengthOf(points, field);
      return { ...base, figures: [{ name: words.measure.length, value, unit: 'mm', u }], note: pitchKnown };
    }
    case 'area': {
      const { value, u } = areaOf(points, field);
      return { ...base, figures: [{ name: words.measure.area, value, unit: 'mm²', u }], note: pitchKnown };
    }
    case 'section': {
      if (!field.measured.height) throw new Error(words.measure.noHeight);
      const section = await sectionOf(field, points[0], points[1]);
      const { value, u } = lengthOf(points.slice(0, 2), field);
      const figures = [...section.figures, { name: words.measure.length, value, unit: 'mm', u }];
      return { ...base, figures, section, note: section.figures.length ? words.measure.rule : words.measure.noGroove };
    }
    case 'roughness': {
      if (!field.measured.height) throw new Error(words.measure.noHeight);
      const [xs, ys] = [points.map(([x]) => x), points.map(([, y]) => y)];
      const box = [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
      if (((box[2] - box[0]) * (box[3] - box[1])) / field.pitch_mm ** 2 > MOST_PIXELS) throw new Error(words.measure.tooLarge);
      const read = await inside(field, 'height', box);
      const found = read && roughnessOf(read.values, read.columns);
      if (!found) throw new Error(words.measure.tooFewHeights);
      const figures = [
        { name: 'Sq', value: found.sq_um, unit: 'µm', u: null },
        { name: 'Sa', value: found.sa_um, unit: 'µm', u: null },
      ];
      return { ...base, figures, note: words.measure.roughnessRule(found.pixels) };
    }
  }
}
