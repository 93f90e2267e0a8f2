// Colours of maps, classes and flags.  Classes and flags: palette for all kinds of colour vision by Okabe and Ito
// (2008), and never colour alone: a pattern and a number or words go with each.

import anchors from './colours.json';

export type Palette = keyof typeof anchors;

export type Pattern = 'plain' | 'falling lines' | 'rising lines' | 'level lines' | 'dots';
export const PATTERN_CODES: Record<Pattern, number> = {
  plain: 0,
  'falling lines': 1,
  'rising lines': 2,
  'level lines': 3,
  dots: 4,
};

export interface Look {
  code: number;
  colour: string;
  pattern: Pattern;
  /** Dashes of a line on the map, screen pixels; empty is unbroken. */
  dash: number[];
}

export const CLASS_LOOKS: Look[] = [
  { code: 1, colour: '#0072b2', pattern: 'plain', dash: [] },
  { code: 2, colour: '#cc79a7', pattern: 'rising lines', dash: [10, 4] },
  { code: 3, colour: '#d55e00', pattern: 'falling lines', dash: [14, 4, 3, 4] },
  { code: 4, colour: '#56b4e9', pattern: 'dots', dash: [3, 4] },
  { code: 5, colour: '#009e73', pattern: 'level lines', dash: [6, 6] },
  { code: 6, colour: '#000000', pattern: 'plain', dash: [2, 2] },
];
export const CLASS_NAMES = ['land', 'etched', 'tooled', 'scratch', 'deposit', 'friction-ridge print', 'pit'];

/** The gravest first: of several flags of a pixel one is shown. */
export const FLAG_LOOKS: Look[] = [
  { code: 16, colour: '#000000', pattern: 'plain', dash: [] },
  { code: 4, colour: '#d55e00', pattern: 'falling lines', dash: [] },
  { code: 32, colour: '#009e73', pattern: 'dots', dash: [] },
  { code: 2, colour: '#0072b2', pattern: 'rising lines', dash: [] },
  { code: 1, colour: '#cc79a7', pattern: 'level lines', dash: [] },
  { code: 8, colour: '#56b4e9', pattern: 'plain', dash: [] },
];

export function classLook(name: string): Look | undefined {
  return CLASS_LOOKS.find((look) => look.code === CLASS_NAMES.indexOf(name));
}

export function rgb(colour: string): [number, number, number] {
  const part = (start: number) => parseInt(colour.slice(start, start + 2), 16);
  return [part(1), part(3), part(5)];
}

const tables = new Map<Palette, Uint8Array>();

/** 256 colours, red green blue and full alpha, between the anchors at even steps. */
export function colourTable(palette: Palette): Uint8Array {
  let table = tables.get(palette);
  if (!table) {
    const stops = anchors[palette];
    table = new Uint8Array(256 * 4);
    for (let index = 0; index < 256; index += 1) {
      const at = (index / 255) * (stops.length - 1);
      const before = Math.min(Math.floor(at), stops.length - 2);
      for (let part = 0; part < 3; part += 1) {
        const value = stops[before][part] + (at - before) * (stops[before + 1][part] - stops[before][part]);
        table[4 * index + part] = Math.round(value);
      }
      table[4 * index + 3] = 255;
    }
    tables.set(palette, table);
  }
  return table;
}

/** By code: red, green, blue, and one more than the pattern; nothing where the code has no look. */
function lookTable(lookOf: (code: number) => Look | undefined): Uint8Array {
  const table = new Uint8Array(256 * 4);
  for (let code = 0; code < 256; code += 1) {
    const look = lookOf(code);
    if (look) table.set([...rgb(look.colour), PATTERN_CODES[look.pattern] + 1], 4 * code);
  }
  return table;
}

export const CLASS_TABLE = lookTable((code) => CLASS_LOOKS.find((look) => look.code === code));
/** A pixel's flags are a sum of bits. */
export const FLAG_TABLE = lookTable((code) => FLAG_LOOKS.find((look) => (code & look.code) !== 0));
