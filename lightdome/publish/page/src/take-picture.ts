// The view as a PNG with what must go with it: plate, what is shown, scale bar, where the lamp stands.

import { download } from './dom';
import { unitWords } from './legend';
import type { Light } from './light';
import type { Pane } from './pane';
import type { Plate } from './plate';
import { ruleOf, unitOf } from './states';
import { words } from './words';

const STRIP = 96; // of the strip below the picture, in the picture's own pixels at a ratio of 1
const SURROUND = '#dedede';
const INK = '#1a1a1a';
const BAR_SHARE = 0.22;

export async function takePicture(plate: Plate, pane: Pane, light: Light): Promise<void> {
  const canvas = compose(plate, pane, light);
  const png = await new Promise<Blob>((resolve, reject) =>
    canvas.toBlob((blob) => (blob ? resolve(blob) : reject(new Error('png'))), 'image/png'),
  );
  download(`${plate.plate}-${pane.field.side}-${pane.field.field}-${pane.state}.png`, png);
}

/** The view with its strip of words. */
export function compose(plate: Plate, pane: Pane, light: Light): HTMLCanvasElement {
  pane.map.renderSync(); // the drawing buffer is only whole in the same turn
  const { canvas: picture } = pane.picture;
  const ratio = window.devicePixelRatio;
  const canvas = document.createElement('canvas');
  canvas.width = Math.max(picture.width, 760 * ratio);
  canvas.height = picture.height + STRIP * ratio;
  const pen = canvas.getContext('2d')!;
  pen.fillStyle = SURROUND;
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.drawImage(picture, 0, 0);
  for (const layer of pane.element.querySelectorAll<HTMLCanvasElement>('.ol-layer canvas')) pen.drawImage(layer, 0, 0);
  pen.setTransform(ratio, 0, 0, ratio, 0, picture.height);
  writeStrip(pen, canvas.width / ratio, plate, pane, light);
  return canvas;
}

function writeStrip(pen: CanvasRenderingContext2D, width: number, plate: Plate, pane: Pane, light: Light): void {
  const { field, state } = pane;
  const perPixel = pane.map.getView().getResolution() ?? field.pitch_mm;
  const length_mm = barLength(width * BAR_SHARE * perPixel);
  pen.fillStyle = INK;
  pen.fillRect(16, 22, length_mm / perPixel, 8);
  pen.font = '600 15px system-ui, sans-serif';
  pen.fillText(length_mm >= 1 ? `${length_mm} mm` : `${(length_mm * 1000).toFixed(0)} µm`, 16, 50);
  const middle = Math.max(width * 0.3, 32 + length_mm / perPixel);
  pen.fillText(`${plate.plate} · ${field.title} · ${plate.session}`, middle, 30);
  pen.font = '14px system-ui, sans-serif';
  const kind = ruleOf(state).kind;
  const [low, high] = kind === 'map' ? pane.range : [0, 0];
  const unit = kind === 'map' ? unitWords(unitOf(field, state)) || words.noUnit : '';
  const range = kind === 'map' ? `: ${Number(low.toPrecision(3))} … ${Number(high.toPrecision(3))} ${unit}` : '';
  pen.fillText(`${words.states[state]}${range}`, middle, 54);
  if (kind === 'map') return;
  const { azimuth_deg, elevation_deg } = light.lamp;
  const strength = kind === 'relief' ? ` · ${words.lamp.relief} × ${light.relief_strength}` : ` · ${words.lamp.stops} ${light.stops} ${words.lamp.stopsUnit}`;
  pen.fillText(words.lamp.reading(azimuth_deg, elevation_deg) + strength, middle, 76);
  lightArrow(pen, width - 56, STRIP / 2, azimuth_deg, elevation_deg);
}

/** An arrow the way the light goes, as on a plan: longer the lower the lamp stands. */
function lightArrow(pen: CanvasRenderingContext2D, x: number, y: number, azimuth_deg: number, elevation_deg: number): void {
  const [longest, head] = [64, 10];
  const length = Math.max(head, longest * Math.cos((elevation_deg * Math.PI) / 180));
  pen.save();
  pen.translate(x, y);
  pen.rotate(Math.PI - (azimuth_deg * Math.PI) / 180);
  pen.strokeStyle = INK;
  pen.lineWidth = 2.5;
  pen.beginPath();
  pen.moveTo(-length / 2, 0);
  pen.lineTo(length / 2, 0);
  pen.moveTo(length / 2 - head, -head / 2);
  pen.lineTo(length / 2, 0);
  pen.lineTo(length / 2 - head, head / 2);
  pen.stroke();
  pen.restore();
}

/** 1, 2 or 5 times a power of ten, at most so long. */
function barLength(longest_mm: number): number {
  const power = 10 ** Math.floor(Math.log10(longest_mm));
  const factor = [5, 2, 1].find((step) => step * power <= longest_mm) ?? 1;
  return Number((factor * power).toPrecision(3));
}
