// The lamps that the plate is seen under, shared by every pane, and what the shaders need to know of them.

import type { Uniforms } from './gl';
import type { Field } from './plate';

export interface Lamp {
  /** Counter-clockwise from +x. */
  azimuth_deg: number;
  /** Above the plate. */
  elevation_deg: number;
}

export interface Light {
  lamp: Lamp;
  fill: Lamp & { on: boolean; strength: number };
  /** Exposure, powers of two. */
  stops: number;
  /** Slopes of the shaded relief are multiplied by this. */
  relief_strength: number;
  /** Near lamps at the distance of the capture; else distant ones. */
  near: boolean;
}

export const LOWEST_DEG = 1;
export const HIGHEST_DEG = 89;
export const RAKING_DEG = 20;

export function firstLight(field: Field): Light {
  const raking = Math.max(RAKING_DEG, field.lamps?.lowest_deg ?? RAKING_DEG);
  return {
    lamp: { azimuth_deg: 135, elevation_deg: raking },
    fill: { azimuth_deg: 315, elevation_deg: 60, on: false, strength: 0.3 },
    stops: 0,
    relief_strength: 1,
    near: field.lamps?.model === 'near',
  };
}

export function direction({ azimuth_deg, elevation_deg }: Lamp): [number, number, number] {
  const azimuth = (azimuth_deg * Math.PI) / 180;
  const elevation = (elevation_deg * Math.PI) / 180;
  return [
    Math.cos(elevation) * Math.cos(azimuth),
    Math.cos(elevation) * Math.sin(azimuth),
    Math.sin(elevation),
  ];
}

/** Within 0 (included) and 360 (excluded). */
export function turn(azimuth_deg: number): number {
  return ((azimuth_deg % 360) + 360) % 360;
}

/** The shortest way round from one azimuth to another, -180 to 180. */
export function turnBetween(from_deg: number, to_deg: number): number {
  return turn(to_deg - from_deg + 180) - 180;
}

/** Lower or higher than every lamp that the plate was photographed under: there the model only guesses. */
export function beyondLamps(lamp: Lamp, field: Field): 'below' | 'above' | null {
  if (!field.lamps) return null;
  if (lamp.elevation_deg < field.lamps.lowest_deg - 0.5) return 'below';
  return lamp.elevation_deg > field.lamps.highest_deg + 0.5 ? 'above' : null;
}

/** Numbers of `lamps.glsl`; a shaded relief is always under distant lamps. */
export function lampUniforms(light: Light, field: Field, evenly: boolean): Uniforms {
  const distance_mm = field.lamps?.distance_mm ?? null;
  const near = light.near && distance_mm !== null && !evenly;
  const place = (lamp: Lamp) => direction(lamp).map((part) => part * (near ? distance_mm : 1));
  return {
    lamp_main: place(light.lamp),
    lamp_fill: place(light.fill),
    fill_strength: light.fill.strength,
    lamps_near: near,
    camera_mm: field.camera_distance_mm ?? 0,
    stops: light.stops,
    relief_strength: light.relief_strength,
    white: evenly ? 1 : (field.white ?? 1),
  };
}
