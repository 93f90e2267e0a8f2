// The lamp on the margin: it travels round the plate like along a ruler of degrees, its beam longer the lower it stands.

import { svg } from './dom';
import { HIGHEST_DEG, LOWEST_DEG, turn, type Lamp, type Light } from './light';
import type { Room } from './room';
import { words } from './words';

/** Width of the margin round the views: it grows with the page's letters. */
export function margin_px(): number {
  return Math.round(2.9 * parseFloat(getComputedStyle(document.documentElement).fontSize));
}

const TICKS: [every_deg: number, length_px: number][] = [
  [45, 14],
  [15, 10],
  [5, 5],
];
const BEAM_PX = 120;
const HOLD_PX = 14; // a drag inward must be longer than this before it raises the lamp
const FINE_DEG = 1;
const COARSE_DEG = 5;

type Which = 'lamp' | 'fill';

export class LampRuler {
  readonly element = svg('svg', { class: 'ruler' });
  private readonly ticks = svg('g', { class: 'ticks', 'aria-hidden': 'true' });
  private readonly signs: Record<Which, SVGElement>;
  private width = 0;
  private height = 0;

  constructor(private readonly room: Room) {
    this.signs = { fill: this.sign('fill'), lamp: this.sign('lamp') };
    this.element.append(this.ticks, this.signs.fill, this.signs.lamp);
    this.element.addEventListener('wheel', (event) => this.onWheel(event as WheelEvent), { passive: false });
    room.watch(() => this.place());
    new ResizeObserver(() => this.resize()).observe(this.element);
  }

  focus(): void {
    (this.signs.lamp as unknown as HTMLElement).focus();
  }

  private resize(): void {
    const box = this.element.getBoundingClientRect();
    this.width = box.width;
    this.height = box.height;
    this.ticks.replaceChildren();
    for (let azimuth = 0; azimuth < 360; azimuth += 5) {
      const [, length] = TICKS.find(([every]) => azimuth % every === 0)!;
      const inner = this.onMargin(azimuth, margin_px() - 4);
      const outer = this.onMargin(azimuth, margin_px() - 4 - length);
      this.ticks.append(svg('line', { x1: inner[0], y1: inner[1], x2: outer[0], y2: outer[1] }));
      if (azimuth % 45 === 0) {
        const [x, y] = this.onMargin(azimuth, margin_px() / 4);
        const whole = Math.min(Math.max(x, margin_px() / 3), this.width - margin_px() / 3); // not cut off at the edge
        this.ticks.append(svg('text', { x: whole, y, dy: '0.35em' }, `${azimuth}°`));
      }
    }
    this.place();
  }

  /** Where the ray from the middle meets the rectangle `inset` px within the edge. */
  private onMargin(azimuth_deg: number, inset_px: number): [number, number] {
    const angle = (azimuth_deg * Math.PI) / 180;
    const [dx, dy] = [Math.cos(angle), -Math.sin(angle)];
    const [halfWidth, halfHeight] = [this.width / 2 - inset_px, this.height / 2 - inset_px];
    const reach = Math.min(halfWidth / Math.max(Math.abs(dx), 1e-9), halfHeight / Math.max(Math.abs(dy), 1e-9));
    return [this.width / 2 + dx * reach, this.height / 2 + dy * reach];
  }

  private sign(which: Which): SVGElement {
    const sign = svg(
      'g',
      { class: `lamp-sign ${which}`, role: 'slider', tabindex: 0, 'aria-valuemin': 0, 'aria-valuemax': 359 },
      svg('line', { class: 'beam', x1: 0, y1: 0, x2: 0, y2: 0 }),
      svg('circle', { class: 'halo', r: 19 }),
      svg('circle', { class: 'body', r: 15 }),
      svg('text', { dy: '0.35em', 'aria-hidden': 'true' }),
    );
    sign.addEventListener('keydown', (event) => this.onKey(which, event as KeyboardEvent));
    sign.addEventListener('pointerdown', (event) => this.onDrag(which, event as PointerEvent));
    return sign;
  }

  private place(): void {
    const { wanted } = this.room;
    for (const which of ['lamp', 'fill'] as const) {
      const lamp = wanted[which];
      const sign = this.signs[which];
      const hidden = which === 'fill' && !wanted.fill.on;
      sign.setAttribute('display', hidden ? 'none' : 'inline');
      const [x, y] = this.onMargin(lamp.azimuth_deg, margin_px() / 2);
      sign.setAttribute('transform', `translate(${x} ${y})`);
      const [dx, dy] = [this.width / 2 - x, this.height / 2 - y];
      const share = (BEAM_PX * Math.cos((lamp.elevation_deg * Math.PI) / 180)) / Math.max(1, Math.hypot(dx, dy));
      const beam = sign.querySelector('.beam')!;
      beam.setAttribute('x2', String(dx * share));
      beam.setAttribute('y2', String(dy * share));
      sign.querySelector('text')!.textContent = `${Math.round(lamp.elevation_deg)}°`;
      sign.setAttribute('aria-valuenow', lamp.azimuth_deg.toFixed(0));
      sign.setAttribute('aria-valuetext', words.lamp.said(lamp.azimuth_deg, lamp.elevation_deg));
      sign.setAttribute('aria-label', which === 'lamp' ? words.lamp.main : words.lamp.fill);
    }
  }

  private onKey(which: Which, event: KeyboardEvent): void {
    const step = event.shiftKey ? COARSE_DEG : FINE_DEG;
    const acts: Record<string, (lamp: Lamp) => void> = {
      ArrowLeft: (lamp) => (lamp.azimuth_deg += step),
      ArrowRight: (lamp) => (lamp.azimuth_deg -= step),
      ArrowUp: (lamp) => (lamp.elevation_deg += step),
      ArrowDown: (lamp) => (lamp.elevation_deg -= step),
      PageUp: (lamp) => (lamp.azimuth_deg += 45),
      PageDown: (lamp) => (lamp.azimuth_deg -= 45),
    };
    const act = acts[event.key];
    if (!act) return;
    event.preventDefault();
    this.room.change((light) => this.hold(light, which, act));
  }

  private onWheel(event: WheelEvent): void {
    event.preventDefault();
    const which = (event.target as Element).closest('.fill') ? 'fill' : 'lamp';
    const rise = -Math.sign(event.deltaY) * (event.shiftKey ? COARSE_DEG : FINE_DEG);
    this.room.change((light) => this.hold(light, which, (lamp) => (lamp.elevation_deg += rise)));
  }

  /** Along the margin turns the lamp; inward raises it, outward lowers it. */
  private onDrag(which: Which, event: PointerEvent): void {
    const sign = this.signs[which] as unknown as HTMLElement;
    event.preventDefault();
    sign.focus();
    sign.setPointerCapture(event.pointerId);
    const box = this.element.getBoundingClientRect();
    const fromMiddle = (at: PointerEvent): [number, number] => [
      at.clientX - box.left - this.width / 2,
      box.top + this.height / 2 - at.clientY,
    ];
    const inward = (at: PointerEvent) => {
      const [x, y] = fromMiddle(at);
      return 1 - Math.max(Math.abs(x) / (this.width / 2), Math.abs(y) / (this.height / 2));
    };
    const first = this.room.wanted[which].elevation_deg;
    const start = inward(event);
    const hold = HOLD_PX / (this.height / 2);
    const move = (at: PointerEvent) => {
      const [x, y] = fromMiddle(at);
      const way = inward(at) - start;
      const rise = 90 * Math.sign(way) * Math.max(0, Math.abs(way) - hold);
      this.room.change((light) =>
        this.hold(light, which, (lamp) => {
          lamp.azimuth_deg = turn((Math.atan2(y, x) * 180) / Math.PI);
          lamp.elevation_deg = first + rise;
        }),
      );
    };
    const end = () => {
      sign.removeEventListener('pointermove', move);
      sign.removeEventListener('pointerup', end);
      sign.removeEventListener('pointercancel', end);
    };
    sign.addEventListener('pointermove', move);
    sign.addEventListener('pointerup', end);
    sign.addEventListener('pointercancel', end);
  }

  private hold(light: Light, which: Which, act: (lamp: Lamp) => void): void {
    act(light[which]);
    light[which].elevation_deg = Math.min(HIGHEST_DEG, Math.max(LOWEST_DEG, light[which].elevation_deg));
  }
}
