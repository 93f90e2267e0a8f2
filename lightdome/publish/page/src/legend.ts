// The legend of a pane: what is shown, with unit, range and colours, or classes with colour, pattern and number.

import { button, el, numberInput } from './dom';
import { CLASS_LOOKS, CLASS_NAMES, colourTable, FLAG_LOOKS, type Look } from './looks';
import type { Pane } from './pane';
import { ruleOf, unitOf } from './states';
import { words } from './words';

const BAR = [256, 14];
const SWATCH = [36, 18];
const PERIOD = 12;

export function legendOf(pane: Pane): HTMLElement {
  const { field, state } = pane;
  const rule = ruleOf(state);
  const note = el('p', { className: 'caption' }, words.notes[state]);
  if (rule.kind === 'map') return el('div', { className: 'legend' }, ...mapLegend(pane), unknownSign(), note);
  if (rule.kind === 'codes') {
    const coding = field.layers[state].coding;
    const names = coding.kind === 'codes' ? coding.names : {};
    const looks = state === 'classes' ? CLASS_LOOKS : FLAG_LOOKS;
    return el('div', { className: 'legend' }, codeLegend(looks, names), note);
  }
  return el('div', { className: 'legend' }, note, el('p', { className: 'caption' }, words.legend.lightUnit));
}

function unknownSign(): HTMLElement {
  const canvas = el('canvas', { width: SWATCH[0], height: SWATCH[1], className: 'swatch', 'aria-hidden': 'true' });
  const pen = canvas.getContext('2d')!;
  for (let y = 0; y < SWATCH[1]; y += 1) {
    for (let x = 0; x < SWATCH[0]; x += 1) {
      pen.fillStyle = (x - y + 8 * SWATCH[1]) % 8 < 2 ? '#8a8a8a' : '#bdbdbd';
      pen.fillRect(x, y, 1, 1);
    }
  }
  return el('p', { className: 'caption' }, canvas, words.legend.unknown);
}

/** What a number of a unit is written with. */
export function unitWords(unit: string): string {
  return words.units[unit] ?? unit;
}

function mapLegend(pane: Pane): HTMLElement[] {
  const { field, state, range } = pane;
  const unit = unitWords(unitOf(field, state)) || words.noUnit;
  const canvas = el('canvas', { width: BAR[0], height: BAR[1], className: 'bar', 'aria-hidden': 'true' });
  const pen = canvas.getContext('2d')!;
  const table = colourTable(ruleOf(state).palette!);
  for (let index = 0; index < 256; index += 1) {
    pen.fillStyle = `rgb(${table[4 * index]} ${table[4 * index + 1]} ${table[4 * index + 2]})`;
    pen.fillRect(index, 0, 1, BAR[1]);
  }
  const limits = { min: -1e9, max: 1e9, step: stepOf(range) };
  const end = (index: 0 | 1, name: string) => {
    const input = numberInput(Number(range[index].toPrecision(4)), limits, (value) => {
      const next: [number, number] = index === 0 ? [value, range[1]] : [range[0], value];
      if (next[0] < next[1]) pane.setRange(next);
    });
    input.setAttribute('aria-label', `${words.legend.range}, ${name} (${unit})`);
    return input;
  };
  const error = field.layers[ruleOf(state).needs[0]].max_error;
  return [
    el('div', { className: 'ends' }, end(0, words.legend.from), canvas, end(1, words.legend.to), el('span', {}, unit)),
    el(
      'div',
      { className: 'together' },
      button(words.legend.whole, () => pane.setRange(null)),
      error && state !== 'tilt'
        ? el('span', { className: 'caption' }, words.legend.error(`${error.toPrecision(2)} ${unit === words.noUnit ? '' : unit}`.trim()))
        : null,
    ),
  ];
}

function stepOf([low, high]: [number, number]): number {
  return 10 ** Math.floor(Math.log10((high - low) / 20));
}

function codeLegend(looks: Look[], names: Record<string, string>): HTMLElement {
  const list = el('ul', { className: 'codes' });
  for (const look of looks) {
    const name = names[String(look.code)] ?? CLASS_NAMES[look.code];
    if (name) list.append(el('li', {}, swatch(look), `${look.code} ${name}`));
  }
  return list;
}

/** A class's colour with its pattern in white. */
export function swatch(look: Look): HTMLCanvasElement {
  const canvas = el('canvas', { width: SWATCH[0], height: SWATCH[1], className: 'swatch', 'aria-hidden': 'true' });
  const pen = canvas.getContext('2d')!;
  pen.fillStyle = look.colour;
  pen.fillRect(0, 0, SWATCH[0], SWATCH[1]);
  pen.fillStyle = '#ffffff';
  const line = PERIOD / 4;
  const patterned: Record<Look['pattern'], (x: number, y: number) => boolean> = {
    plain: () => false,
    'falling lines': (x, y) => (y - x + 10 * PERIOD) % PERIOD < line,
    'rising lines': (x, y) => (x + y) % PERIOD < line,
    'level lines': (_, y) => y % PERIOD < line,
    dots: (x, y) => x % PERIOD <= line && y % PERIOD <= line,
  };
  for (let y = 0; y < SWATCH[1]; y += 1) {
    for (let x = 0; x < SWATCH[0]; x += 1) if (patterned[look.pattern](x, y)) pen.fillRect(x, y, 1, 1);
  }
  return canvas;
}
