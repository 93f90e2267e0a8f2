// The lamps as numbers, named positions, exposure and strength of relief.

import { button, checkbox, choice, el, labelled, numberInput } from './dom';
import { beyondLamps, firstLight, HIGHEST_DEG, LOWEST_DEG, RAKING_DEG, type Lamp } from './light';
import type { Field, Plate } from './plate';
import type { Room } from './room';
import { keptLamps, keepLamps } from './lamp-names';
import { words } from './words';

const ELEVATION = { min: LOWEST_DEG, max: HIGHEST_DEG, step: 1 };
const AZIMUTH = { min: 0, max: 359, step: 1 };
const STOPS = { min: -6, max: 8, step: 0.25 };
const STRENGTH = { min: 0.1, max: 20, step: 0.1 };

export class LightPanel {
  readonly element = el('section', { className: 'panel on-screen', 'aria-label': words.lamp.heading });
  private readonly note = el('p', { className: 'warning', role: 'status' });
  private readonly reading = el('p', { className: 'reading' });
  private readonly inputs: { input: HTMLInputElement; value: () => number }[] = [];
  private readonly named = el('div', {});
  private readonly fillPart = el('div', { className: 'rows' });

  constructor(
    private readonly room: Room,
    private readonly plate: Plate,
    private readonly field: () => Field,
  ) {
    this.element.append(
      el('h2', {}, words.lamp.heading),
      this.reading,
      el('div', { className: 'rows' }, ...this.lampRows('lamp')),
      this.note,
      this.named,
      el('h3', {}, words.lamp.fill),
      labelled(words.lamp.fillOn, checkbox(false, (on) => room.change((light) => (light.fill.on = on)))),
      this.fillPart,
      el('h3', {}, words.lamp.exposure),
      el(
        'div',
        { className: 'rows' },
        this.row(words.lamp.stops, STOPS, words.lamp.stopsUnit, () => room.wanted.stops, (value) =>
          room.change((light) => (light.stops = value)),
        ),
        this.row(words.lamp.relief, STRENGTH, '×', () => room.wanted.relief_strength, (value) =>
          room.change((light) => (light.relief_strength = value)),
        ),
      ),
      this.modelRow(),
      button(words.lamp.again, () => room.change((light) => Object.assign(light, firstLight(field())))),
    );
    this.fillPart.append(
      ...this.lampRows('fill'),
      this.row(words.lamp.fillStrength, { min: 0, max: 1, step: 0.05 }, words.lamp.ofMain, () => room.wanted.fill.strength, (value) =>
        room.change((light) => (light.fill.strength = value)),
      ),
    );
    room.watch(() => this.refresh());
    this.refresh();
    this.refreshNames();
  }

  refreshNames(): void {
    const kept = keptLamps(this.plate);
    const used = this.field().lamps?.used ?? [];
    const apply = (lamp: Lamp) =>
      this.room.change((light) => {
        light.lamp = { azimuth_deg: lamp.azimuth_deg, elevation_deg: lamp.elevation_deg };
      });
    const raking = Math.max(RAKING_DEG, this.field().lamps?.lowest_deg ?? 0);
    const rakingButtons = words.lamp.sides.map(([name, azimuth_deg]) =>
      button(name, () => apply({ azimuth_deg, elevation_deg: raking })),
    );
    const all = [...kept, ...used].map(({ name, azimuth_deg, elevation_deg }, index) => [
      String(index),
      `${name}: ${words.lamp.said(azimuth_deg, elevation_deg)}`,
    ]) as [string, string][];
    const pick = choice([['', words.lamp.choose], ...all], '', (value) => {
      if (value !== '') apply([...kept, ...used][Number(value)]);
    });
    const name = el('input', { type: 'text', maxLength: 40 });
    const keep = button(words.lamp.keep, () => {
      if (!name.value.trim()) return;
      keepLamps(this.plate, [...kept, { name: name.value.trim(), ...this.room.wanted.lamp }]);
      this.refreshNames();
    });
    this.named.replaceChildren(
      el('p', { className: 'caption' }, words.lamp.lightFrom(raking)),
      el('div', { className: 'buttons' }, ...rakingButtons),
      labelled(words.lamp.positions, pick),
      el('div', { className: 'together' }, labelled(words.lamp.name, name), keep),
    );
  }

  private lampRows(which: 'lamp' | 'fill'): HTMLElement[] {
    const { room } = this;
    return [
      this.row(words.lamp.azimuth, AZIMUTH, '°', () => room.wanted[which].azimuth_deg, (value) =>
        room.change((light) => (light[which].azimuth_deg = value)),
      ),
      this.row(words.lamp.elevation, ELEVATION, '°', () => room.wanted[which].elevation_deg, (value) =>
        room.change((light) => (light[which].elevation_deg = value)),
      ),
    ];
  }

  private row(
    name: string,
    settings: typeof AZIMUTH,
    unit: string,
    value: () => number,
    act: (value: number) => void,
  ): HTMLElement {
    const input = numberInput(value(), settings, act);
    this.inputs.push({ input, value });
    return labelled(name, input, unit);
  }

  private modelRow(): HTMLElement {
    const distance = this.field().lamps?.distance_mm;
    if (!distance) return el('p', { className: 'caption' }, words.lamp.distant);
    const near = checkbox(this.room.wanted.near, (on) => this.room.change((light) => (light.near = on)));
    return labelled(words.lamp.near(distance), near);
  }

  private refresh(): void {
    const { wanted } = this.room;
    for (const { input, value } of this.inputs) {
      if (document.activeElement !== input || !input.matches(':focus')) input.value = String(Number(value().toFixed(2)));
    }
    this.reading.textContent = words.lamp.reading(wanted.lamp.azimuth_deg, wanted.lamp.elevation_deg);
    this.fillPart.hidden = !wanted.fill.on;
    const beyond = beyondLamps(wanted.lamp, this.field());
    const { lowest_deg, highest_deg } = this.field().lamps ?? { lowest_deg: 0, highest_deg: 90 };
    this.note.textContent = beyond ? words.lamp.beyond[beyond](lowest_deg, highest_deg) : '';
  }
}
