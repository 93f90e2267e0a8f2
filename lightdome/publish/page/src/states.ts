// Display states: what can be shown of a field, which layers it needs, and the shader put together for it.

import common from './shade/common.glsl?raw';
import hemisphere from './shade/hemisphere.glsl?raw';
import lamps from './shade/lamps.glsl?raw';
import lightHarmonics from './shade/light_harmonics.glsl?raw';
import lightLobe from './shade/light_lobe.glsl?raw';
import lightNone from './shade/light_none.glsl?raw';
import main from './shade/main.glsl?raw';
import lightRelief from './shade/light_relief.glsl?raw';
import showCodes from './shade/show_codes.glsl?raw';
import showColour from './shade/show_colour.glsl?raw';
import showLight from './shade/show_light.glsl?raw';
import showScalar from './shade/show_scalar.glsl?raw';
import valueFloat from './shade/value_float.glsl?raw';
import valueTilt from './shade/value_tilt.glsl?raw';
import valueWhole from './shade/value_whole.glsl?raw';
import { Cog } from './cog';
import { texelsPerPixel, type Uniforms } from './gl';
import { lampUniforms, type Light } from './light';
import { CLASS_TABLE, colourTable, FLAG_TABLE, type Palette } from './looks';
import type { Field, Layer, Lobe } from './plate';
import type { Picture } from './plate-layer';

export type StateKey =
  | 'lobe'
  | 'harmonics'
  | 'colour'
  | 'relief'
  | 'height'
  | 'tilt'
  | 'curvature'
  | 'specular'
  | 'roughness'
  | 'diffuse'
  | 'height_uncertainty'
  | 'tilt_uncertainty'
  | 'classes'
  | 'flags';

/** The kind of a state decides which controls and which legend go with it. */
export type StateKind = 'light' | 'relief' | 'map' | 'codes';

interface StateRule {
  key: StateKey;
  kind: StateKind;
  /** Layers it cannot do without. */
  needs: string[];
  palette?: Palette;
}

/** Squares of the norms, times pi, of the hemispherical harmonics' polynomials, in the order of the coefficients. */
const NORMS = [1 / 4, 3 / 4, 3 / 4, 3 / 4, 15 / 4, 15 / 4, 5 / 16, 15 / 4, 15 / 16]
  .concat([35 / 32, 105 / 4, 21 / 32, 7 / 16, 21 / 32, 105 / 16, 35 / 32])
  .map((norm) => Math.sqrt((2 * norm) / Math.PI));
const FIRST_COEFFICIENT = 6; // of the bands of the lobe model
const PATTERN_PX = 12;
const HATCHED = -32768;

export const STATES: StateRule[] = [
  { key: 'lobe', kind: 'light', needs: ['relight'] },
  { key: 'harmonics', kind: 'light', needs: ['harmonics'] },
  { key: 'colour', kind: 'light', needs: ['colour'] },
  { key: 'relief', kind: 'relief', needs: ['slopes'] },
  { key: 'height', kind: 'map', needs: ['height'], palette: 'cividis' },
  { key: 'tilt', kind: 'map', needs: ['slopes'], palette: 'cividis' },
  { key: 'curvature', kind: 'map', needs: ['curvature'], palette: 'PuOr' },
  { key: 'specular', kind: 'map', needs: ['specular'], palette: 'gray' },
  { key: 'roughness', kind: 'map', needs: ['roughness'], palette: 'cividis' },
  { key: 'diffuse', kind: 'map', needs: ['diffuse'], palette: 'gray' },
  { key: 'height_uncertainty', kind: 'map', needs: ['height_uncertainty'], palette: 'cividis' },
  { key: 'tilt_uncertainty', kind: 'map', needs: ['tilt_uncertainty'], palette: 'cividis' },
  { key: 'classes', kind: 'codes', needs: ['classes'] },
  { key: 'flags', kind: 'codes', needs: ['flags'] },
];

export function ruleOf(key: StateKey): StateRule {
  return STATES.find((state) => state.key === key)!;
}

/** States of which a field has every layer. */
export function statesOf(field: Field): StateKey[] {
  return STATES.filter(({ key, needs }) => {
    if (needs.some((name) => !field.layers[name])) return false;
    if (key === 'lobe') return field.lobe !== null;
    return key !== 'colour' || lightModel(field) !== null;
  }).map(({ key }) => key);
}

/** The model that the field's light is best shown with; null where it has none. */
export function lightModel(field: Field): 'lobe' | 'harmonics' | null {
  if (field.layers.relight && field.lobe && field.model !== 'harmonics') return 'lobe';
  if (field.layers.harmonics) return 'harmonics';
  return field.layers.relight && field.lobe ? 'lobe' : null;
}

/** Lowest and highest value of a map's legend. */
export function rangeOf(field: Field, key: StateKey): [number, number] {
  if (key === 'tilt') return [0, steepest(field)];
  const layer = field.layers[ruleOf(key).needs[0]];
  return [layer.low ?? 0, layer.high ?? 1];
}

export function unitOf(field: Field, key: StateKey): string {
  return key === 'tilt' ? 'deg' : field.layers[ruleOf(key).needs[0]].unit;
}

function steepest(field: Field): number {
  const { low, high } = field.layers.slopes;
  const slope = Math.max(Math.abs(low ?? 0.5), Math.abs(high ?? 0.5));
  return (Math.atan(slope) * 180) / Math.PI;
}

const opened = new Map<string, Promise<Cog>>();

export function openLayer(layer: Layer): Promise<Cog> {
  let cog = opened.get(layer.file);
  if (!cog) {
    cog = Cog.open(layer.file);
    opened.set(layer.file, cog);
    cog.catch(() => opened.delete(layer.file));
  }
  return cog;
}

interface Ingredients {
  parts: string[];
  layers: [sampler: string, layer: Layer][];
  uniforms: Uniforms;
  /** Small tables by the name of their sampler. */
  tables?: Picture['tables'];
}

/** Everything that stays the same while the lamp moves. */
export async function pictureOf(field: Field, key: StateKey, range: [number, number]): Promise<Picture> {
  const rule = ruleOf(key);
  const { parts, layers, uniforms, tables } = ingredientsOf(field, key);
  const cogs = await Promise.all(layers.map(([, layer]) => openLayer(layer)));
  return {
    field,
    fragment: [common, ...parts, main].join('\n'),
    tables: { ...tables, ...(rule.palette && { colours: colourTable(rule.palette) }) },
    tiles: layers.map(([sampler, layer], index) => ({ sampler, source: { layer, cog: cogs[index] } })),
    lamps: 1,
    uniforms: { ...uniforms, shown_range: range, pattern_px: PATTERN_PX },
  };
}

/** The numbers that change with the lamp. */
export function lightOf(field: Field, key: StateKey, light: Light): Uniforms {
  const { kind } = ruleOf(key);
  return lampUniforms(light, field, kind === 'relief' || (kind === 'codes' && lightModel(field) === null));
}

function ingredientsOf(field: Field, key: StateKey): Ingredients {
  const rule = ruleOf(key);
  if (rule.kind === 'map') return ofValues(field, key);
  if (key === 'relief') return withShow(relief(field), showLight);
  if (key === 'lobe' || key === 'harmonics') return withShow(light(field, key), showLight);
  const model = lightModel(field);
  if (key === 'colour') {
    const lit = light(field, model!);
    return withShow({ ...lit, layers: [...lit.layers, ['colour', field.layers.colour]] }, showColour);
  }
  const ground = model ? light(field, model) : noLight();
  return withShow(
    {
      ...ground,
      layers: [...ground.layers, ['codes', field.layers[key]]],
      tables: { ...ground.tables, looks: key === 'classes' ? CLASS_TABLE : FLAG_TABLE },
    },
    showCodes,
  );
}

function withShow(ingredients: Ingredients, show: string): Ingredients {
  return { ...ingredients, parts: [...ingredients.parts, show] };
}

function light(field: Field, model: 'lobe' | 'harmonics'): Ingredients {
  return model === 'lobe' ? ofLobe(field) : ofHarmonics(field);
}

function noLight(): Ingredients {
  return { parts: [lightNone], layers: [], uniforms: {} };
}

function ofLobe(field: Field): Ingredients {
  const layer = field.layers.relight;
  const lobe = field.lobe!;
  if (layer.coding.kind !== 'packed') throw new Error(`${layer.file}: ${layer.coding.kind}`);
  const { bits, ranges } = layer.coding;
  const names = Object.keys(bits);
  const curved = (name: string, value: number) =>
    ['diffuse', 'specular', 'limit'].includes(name)
      ? Math.sqrt(Math.max(value, 0))
      : name === 'roughness'
        ? Math.log(value)
        : value;
  const low = names.map((name) => curved(name, ranges[name][0]));
  // an even number of steps where a band has both signs, so that zero is one of them
  const steps = names.map((name) => 2 ** bits[name] - (ranges[name][0] < 0 ? 2 : 1));
  const perStep = names.map((name, index) => (curved(name, ranges[name][1]) - low[index]) / steps[index]);
  const orthonormal = (value: number, index: number) => value * (NORMS[index - FIRST_COEFFICIENT] ?? 1);
  return {
    parts: [lamps, hemisphere, lightLobe],
    layers: [['relight', layer]],
    tables: { knots: knotsOf(lobe) },
    uniforms: {
      low: [...low.map(orthonormal), 0],
      per_step: [...perStep.map(orthonormal), 0],
      stretched: lobe.stretched,
      diffuse_curvature: lobe.diffuse_curvature,
      shadow_share: lobe.shadowing,
      lobe_integral: lobe.integral,
    },
  };
}

const knots = new WeakMap<Lobe, Float32Array>();

/** Value of the table at each knot, and its rise to the next. */
function knotsOf(lobe: Lobe): Float32Array {
  let table = knots.get(lobe);
  if (!table) {
    table = Float32Array.from(lobe.table.slice(0, -1).flatMap((value, index) => [value, lobe.table[index + 1] - value]));
    knots.set(lobe, table);
  }
  return table;
}

function ofHarmonics(field: Field): Ingredients {
  const layer = field.layers.harmonics;
  if (layer.coding.kind !== 'scaled') throw new Error(`${layer.file}: ${layer.coding.kind}`);
  const { scale, offset, unknown } = layer.coding;
  const texels = texelsPerPixel(layer);
  const padded = (values: number[]) =>
    [...values, ...new Array<number>(4 * texels - values.length).fill(0)].map((value, index) => value * NORMS[index]);
  return {
    parts: [`#define TEXELS ${texels}`, `#define SUM ${texels > 3 ? 'order_3' : 'order_2'}`, lamps, hemisphere, lightHarmonics],
    layers: [['harmonics', layer]],
    uniforms: { scales: padded(scale), offsets: padded(offset), unknown_code: unknown },
  };
}

function relief(field: Field): Ingredients {
  return {
    parts: [lamps, lightRelief],
    layers: [['slopes', field.layers.slopes]],
    uniforms: slopeUniforms(field),
  };
}

function ofValues(field: Field, key: StateKey): Ingredients {
  const layer = field.layers[ruleOf(key).needs[0]];
  if (key === 'tilt') {
    return { parts: [valueTilt, showScalar], layers: [['slopes', layer]], uniforms: slopeUniforms(field) };
  }
  if (layer.coding.kind === 'float') {
    const unknown = layer.coding.unknown ?? -1e30;
    return {
      parts: [valueFloat, showScalar],
      layers: [['values', layer]],
      uniforms: { unknown_value: unknown },
      };
  }
  const { scale, offset, unknown } = scaledOf(layer);
  const uniforms = { scale: scale[0], offset: offset[0], unknown_value: unknown };
  return { parts: [valueWhole, showScalar], layers: [['values', layer]], uniforms };
}

function slopeUniforms(field: Field): Uniforms {
  const { scale, offset, unknown } = scaledOf(field.layers.slopes);
  return { scales: scale, offsets: offset, unknown_code: unknown };
}

function scaledOf(layer: Layer): { scale: number[]; offset: number[]; unknown: number } {
  if (layer.coding.kind === 'scaled') return layer.coding;
  return { scale: [1, 1], offset: [0, 0], unknown: HATCHED };
}
