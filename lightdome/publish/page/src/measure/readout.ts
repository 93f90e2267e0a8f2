// The pixel under the pointer: where it is, what was measured there, and the mark it belongs to.

import { CLASS_NAMES } from '../looks';
import { toPixel } from '../frame';
import type { Pane } from '../pane';
import { words } from '../words';
import type { Point } from './lengths';
import { pixelAt } from './products';
import { quantityWords, type Quantity } from './quantity';

const REST_MS = 120;

export interface MarkUnder {
  id: string;
  class: string;
  confidence: number | null;
}

/** Write the read-out of a pane's pointer into an element; the numbers follow when the pointer rests. */
export function readOut(pane: Pane, element: HTMLElement, markAt: (pixel: number[]) => MarkUnder | null): void {
  let asked = 0;
  let timer = 0;
  pane.map.on('pointermove', (event) => {
    if (event.dragging) return;
    asked += 1;
    const now = asked;
    const place = event.coordinate as Point;
    const [row, column] = toPixel(pane.field, ...place).map(Math.round);
    const within = row >= 0 && column >= 0 && row < pane.field.shape[0] && column < pane.field.shape[1];
    element.textContent = within ? words.readout.place(place[0], place[1]) : '';
    window.clearTimeout(timer);
    if (!within) return;
    const mark = markAt(event.pixel);
    timer = window.setTimeout(() => {
      void numbersAt(pane, place, mark).then((parts) => {
        if (now === asked) element.textContent = [words.readout.place(place[0], place[1]), ...parts].join(' · ');
      });
    }, REST_MS);
  });
}

export async function numbersAt(pane: Pane, place: Point, mark: MarkUnder | null): Promise<string[]> {
  const { field } = pane;
  const at = (name: Parameters<typeof pixelAt>[1], bands: number[]) => pixelAt(field, name, place, bands).catch(() => null);
  const [height, uHeight, normal, uTilt, reflectance, code] = await Promise.all([
    at('height', [0]),
    at('height_uncertainty', [0]),
    at('normals', [0, 1, 2]),
    at('normal_uncertainty', [0]),
    at('reflectance', [2]),
    at('class', [0]),
  ]);
  const parts: string[] = [];
  const add = (quantity: Quantity) => parts.push(`${quantity.name} ${quantityWords(quantity)}`);
  const known = (value: number[] | null) => (value && Number.isFinite(value[0]) ? value[0] : null);
  if (height) add({ name: words.readout.height, value: height[0], unit: 'µm', u: known(uHeight) });
  if (normal) {
    const tilt = (Math.acos(Math.min(1, normal[2])) * 180) / Math.PI;
    add({ name: words.readout.tilt, value: tilt, unit: '°', u: known(uTilt) });
  }
  const roughness = known(reflectance);
  if (roughness !== null) parts.push(`${words.readout.roughness} ${roughness.toFixed(2)} (${words.readout.dimensionless})`);
  if (code) parts.push(`${words.readout.class} ${code[0]} ${CLASS_NAMES[code[0]] ?? ''}`.trim());
  if (mark) {
    const sure = mark.confidence === null ? words.readout.noConfidence : words.readout.confidence(mark.confidence);
    parts.push(`${mark.id} ${mark.class}, ${sure}`);
  }
  return parts;
}
