// The plate frame in the map: x to the right, y up, millimetres, origin at the field's image centre.

import Projection from 'ol/proj/Projection';
import type { Field } from './plate';

export const PLATE_FRAME = new Projection({
  code: 'plate',
  units: 'mm' as never, // the map's own list of units lacks it, its scale line knows it
  metersPerUnit: 0.001,
  extent: [-5000, -5000, 5000, 5000],
  getPointResolution: (resolution: number) => resolution,
});

export type Extent = [number, number, number, number];

/** West, south, east, north of a field, mm. */
export function extentOf(field: Pick<Field, 'shape' | 'pitch_mm'>): Extent {
  const [rows, columns] = field.shape;
  const x = (columns * field.pitch_mm) / 2;
  const y = (rows * field.pitch_mm) / 2;
  return [-x, -y, x, y];
}

/** Fractional (row, column) of a place, where (0, 0) is the first pixel's centre. */
export function toPixel(field: Pick<Field, 'shape' | 'pitch_mm'>, x_mm: number, y_mm: number): [number, number] {
  return [field.shape[0] / 2 - y_mm / field.pitch_mm - 0.5, x_mm / field.pitch_mm + field.shape[1] / 2 - 0.5];
}

/** Plate (x, y) in mm of a pixel; the inverse of `toPixel`. */
export function toPlate(field: Pick<Field, 'shape' | 'pitch_mm'>, row: number, column: number): [number, number] {
  return [(column + 0.5 - field.shape[1] / 2) * field.pitch_mm, (field.shape[0] / 2 - row - 0.5) * field.pitch_mm];
}
