// What plate.json says of a plate: its fields, their layers, and how the numbers in them are coded.

export type Coding =
  | { kind: 'scaled'; scale: number[]; offset: number[]; unknown: number }
  | { kind: 'float'; unknown?: number }
  | { kind: 'encoded'; white: number; unknown: number }
  | { kind: 'packed'; bits: Record<string, number>; ranges: Record<string, [number, number]> }
  | { kind: 'codes'; names: Record<string, string> };

export interface Layer {
  file: string;
  bands: string[];
  unit: string;
  coding: Coding;
  low: number | null;
  high: number | null;
  span?: 'low-high' | 'from-zero' | 'about-zero' | null;
  max_error: number | null;
}

export interface UsedLamp {
  name: string;
  azimuth_deg: number;
  elevation_deg: number;
}

export interface Lamps {
  model: 'near' | 'distant';
  distance_mm: number | null;
  lowest_deg: number;
  highest_deg: number;
  used: UsedLamp[];
}

export interface Lobe {
  table: number[];
  diffuse_curvature: number;
  shadowing: number;
  stretched: [number, number, number];
  integral: number;
}

export interface Field {
  side: string;
  field: string;
  title: string;
  shape: [number, number];
  pitch_mm: number;
  u_pitch_rel: number | null;
  camera_distance_mm: number | null;
  lamps: Lamps | null;
  white: number | null;
  model: 'lobe' | 'harmonics' | null;
  lobe: Lobe | null;
  layers: Record<string, Layer>;
  measured: Record<string, string>;
  marks: string | null;
  /** Why prints cannot be read here; null where nothing is blurred. */
  blurred: string | null;
  missing: { layer: string; why: string }[];
}

export interface Plate {
  format: number;
  session: string;
  plate: string;
  title: string;
  date: string;
  material: string;
  size_mm: [number, number] | null;
  fields: Field[];
}

/** The manifest beside the page; throws where it cannot be read or is of another format. */
export async function loadPlate(address: string): Promise<Plate> {
  const answer = await fetch(address);
  if (!answer.ok) throw new Error(`${address}: ${answer.status}`);
  const plate = (await answer.json()) as Plate;
  if (plate.format !== 1) throw new Error(`${address}: format ${plate.format}`);
  return plate;
}

/** Fields of which a place on the plate is known: the others have nothing to show. */
export function shownFields(plate: Plate): Field[] {
  return plate.fields.filter((field) => field.shape && field.pitch_mm > 0);
}
