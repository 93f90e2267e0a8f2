// One view of a field: a map with the shaded picture, the marks, and what is drawn while measuring.

import Map from 'ol/Map';
import type View from 'ol/View';
import ScaleLine from 'ol/control/ScaleLine';
import { defaults as interactions } from 'ol/interaction/defaults';
import type VectorImageLayer from 'ol/layer/VectorImage';
import { el } from './dom';
import type { MarksLayer } from './findings/marks-layer';
import type { Field } from './plate';
import { PlateLayer } from './plate-layer';
import type { Room } from './room';
import { lightOf, pictureOf, rangeOf, ruleOf, statesOf, type StateKey } from './states';
import { words } from './words';

export class Pane {
  readonly map: Map;
  readonly picture: PlateLayer;
  readonly element: HTMLElement;
  private readonly watchers: (() => void)[] = [];
  private readonly unwatch: () => void;
  private asked = 0;
  private drawn: StateKey | null = null;
  private marks: { layers: MarksLayer; shown: VectorImageLayer } | null = null;
  private visible = false;
  private ranges: Partial<Record<string, [number, number]>> = {};

  constructor(
    private readonly room: Room,
    view: View,
    public field: Field,
    public state: StateKey,
    label: string,
    private readonly trouble: (words: string) => void,
  ) {
    this.picture = new PlateLayer(trouble);
    const target = el('div', { className: 'map', tabIndex: 0, role: 'region', 'aria-label': label });
    this.element = el('div', { className: 'pane' }, target);
    this.map = new Map({
      target,
      view,
      layers: [this.picture],
      controls: [new ScaleLine({ units: 'metric', minWidth: 90 })],
      interactions: interactions({ altShiftDragRotate: false, pinchRotate: false }),
    });
    this.unwatch = room.watch(() => this.light());
    this.show(field, state);
  }

  /** Called whenever another field or state is shown, or its range has changed. */
  watch(watcher: () => void): void {
    this.watchers.push(watcher);
  }

  get range(): [number, number] {
    return this.ranges[this.rangeKey] ?? rangeOf(this.field, this.state);
  }

  setRange(range: [number, number] | null): void {
    this.ranges[this.rangeKey] = range ?? undefined;
    this.show(this.field, this.state);
  }

  /** Draw the marks of the field that is shown. */
  showMarks(layers: MarksLayer): void {
    if (this.marks) this.map.removeLayer(this.marks.shown);
    const shown = layers.layer(`${this.field.side}/${this.field.field}`, this.field.pitch_mm);
    shown.setVisible(this.visible);
    this.marks = { layers, shown };
    this.map.addLayer(shown);
  }

  marksVisible(visible: boolean): void {
    this.visible = visible;
    this.marks?.shown.setVisible(visible);
  }

  show(field: Field, state: StateKey): void {
    const has = statesOf(field);
    const other = field !== this.field;
    this.field = field;
    if (other && this.marks) this.showMarks(this.marks.layers);
    this.state = has.includes(state) ? state : has[0];
    this.asked += 1;
    const asked = this.asked;
    for (const watcher of this.watchers) watcher();
    if (!this.state) {
      this.picture.show(null);
      return;
    }
    const range = ruleOf(this.state).kind === 'map' ? this.range : ([0, 1] as [number, number]);
    pictureOf(field, this.state, range)
      .then((picture) => {
        if (asked !== this.asked) return;
        this.drawn = this.state;
        this.picture.show(picture);
        this.light();
      })
      .catch((error: unknown) => this.trouble(`${words.trouble.layer} ${String(error)}`));
  }

  /** Close the view and give its graphics memory back. */
  close(): void {
    this.unwatch();
    this.map.setTarget(undefined);
    this.picture.dispose();
    this.element.remove();
  }

  private light(): void {
    const { picture } = this.picture;
    if (!picture || !this.drawn) return;
    picture.lamps = this.room.shown.fill.on ? 2 : 1;
    Object.assign(picture.uniforms, lightOf(picture.field, this.drawn, this.room.shown));
    this.picture.changed();
  }

  private get rangeKey(): string {
    return `${this.field.side}/${this.field.field}/${this.state}`;
  }
}

