// Shapes that a person can give a finding.

import type { SimpleGeometry } from 'ol/geom';
import type { Point } from '../measure/lengths';
import type { Geometry } from './marks';

export type Shape = 'LineString' | 'Polygon' | 'Point';

export const LEAST_POINTS: Record<Shape, number> = { Point: 1, LineString: 2, Polygon: 3 };

/** Corners of a drawn line, outline (once round, not closed) or point. */
export function cornersOf(geometry: SimpleGeometry): Point[] {
  const coordinates = geometry.getCoordinates()!;
  if (typeof coordinates[0] === 'number') return [coordinates as Point];
  return Array.isArray(coordinates[0][0]) ? (coordinates[0].slice(0, -1) as Point[]) : (coordinates as Point[]);
}

/** GeoJSON; to a tenth of a micrometre, which is more than anyone draws. */
export function geometryOf(type: Shape, points: Point[]): Geometry {
  const places = points.map((point) => point.map((value) => Number(value.toFixed(4))));
  const coordinates = { Point: places[0], LineString: places, Polygon: [[...places, places[0]]] }[type];
  return { type, coordinates };
}
