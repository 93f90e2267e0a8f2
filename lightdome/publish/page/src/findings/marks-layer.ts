// Marks on the plate: colour, dash pattern and number, never colour alone.

import Feature from 'ol/Feature';
import GeoJSON from 'ol/format/GeoJSON';
import type Map from 'ol/Map';
import type { Geometry } from 'ol/geom';
import VectorImageLayer from 'ol/layer/VectorImage';
import VectorSource from 'ol/source/Vector';
import { Circle, Fill, Stroke, Style, Text } from 'ol/style';
import { CLASS_NAMES, classLook } from '../looks';
import type { Mark } from './marks';

const FORMAT = new GeoJSON();
const MANY = 2000; // marks in all: so many are drawn without their white edge, which would hide their neighbours
const LABELS_BELOW = 60; // pixels of the photograph to a hundred of the screen: numbers are written when it is enlarged

export class MarksLayer {
  private readonly sources = new globalThis.Map<string, VectorSource>();
  private readonly features: Feature[];
  private readonly fields: string[];
  /** 1 for each row that is shown: to hide is much faster than to take away. */
  private visible = new Uint8Array(0);
  private readonly styles = new globalThis.Map<string, Style[]>();
  private opened = -1;
  private many = false;

  constructor(
    marks: Mark[],
    private readonly classOf: (row: number) => string,
    private readonly rejected: (row: number) => boolean,
  ) {
    this.features = marks.map((mark, row) => this.featureOf(mark, row));
    this.fields = marks.map(fieldOf);
  }

  add(mark: Mark, row: number): void {
    this.features[row] = this.featureOf(mark, row);
    this.fields[row] = fieldOf(mark);
    this.sources.get(this.fields[row])?.addFeature(this.features[row]);
  }

  /** Show these rows, each in the views of its field. */
  show(rows: number[]): void {
    this.many = rows.length > MANY;
    this.visible = new Uint8Array(this.features.length);
    for (const row of rows) this.visible[row] = 1;
    for (const source of this.sources.values()) source.changed();
  }

  open(row: number): void {
    const before = this.opened;
    this.opened = row;
    this.features[before]?.changed();
    this.features[row]?.changed();
  }

  changed(row: number): void {
    this.features[row]?.changed();
  }

  extentOf(row: number): number[] {
    return this.features[row].getGeometry()!.getExtent();
  }

  source(field: string): VectorSource {
    let source = this.sources.get(field);
    if (!source) {
      // lines of one look are drawn in one stroke where they may overlap
      source = new VectorSource({ overlaps: false, features: this.features.filter((_, row) => this.fields[row] === field) });
      this.sources.set(field, source);
    }
    return source;
  }

  /** Drawn into a picture of its own, which stays as it is while only the lamp moves. */
  layer(field: string, pitch_mm: number): VectorImageLayer {
    return new VectorImageLayer({
      source: this.source(field),
      zIndex: 10,
      renderOrder: (a, b) => this.orderOf(a as Feature) - this.orderOf(b as Feature),
      style: (feature, resolution) => this.styleOf(feature as Feature, resolution / pitch_mm),
    });
  }

  /** The row of the mark at a screen pixel; -1 where there is none. */
  rowAt(map: Map, pixel: number[]): number {
    const found = map.forEachFeatureAtPixel(pixel, (feature) => feature.get('row') as number | undefined, { hitTolerance: 5 });
    return found ?? -1;
  }

  /** Marks of one look together, the opened one above all. */
  private orderOf(feature: Feature): number {
    const row = feature.get('row') as number;
    return row === this.opened ? 100 : CLASS_NAMES.indexOf(this.classOf(row)) + (this.rejected(row) ? 10 : 0);
  }

  private featureOf(mark: Mark, row: number): Feature {
    const geometry = FORMAT.readGeometry(mark.geometry) as Geometry;
    return new Feature({ geometry, row, number: mark.id });
  }

  private styleOf(feature: Feature, pixels: number): Style[] | undefined {
    const row = feature.get('row') as number;
    if (!this.visible[row]) return undefined;
    const opened = row === this.opened;
    const label = opened || pixels * 100 < LABELS_BELOW ? (feature.get('number') as string) : '';
    const plain = this.many && !opened;
    const key = `${plain}|${this.classOf(row)}|${opened}|${this.rejected(row)}|${label}`;
    let style = this.styles.get(key);
    if (!style) {
      style = draw(this.classOf(row), opened, this.rejected(row), label);
      if (plain) style = style.slice(1);
      if (!label) this.styles.set(key, style);
    }
    return style;
  }
}

function fieldOf({ side, field }: Mark): string {
  return `${side}/${field}`;
}

function draw(name: string, opened: boolean, rejected: boolean, label: string): Style[] {
  const look = classLook(name) ?? { colour: '#1a1a1a', dash: [1, 5] };
  const alpha = rejected ? '66' : '';
  const stroke = new Stroke({ color: look.colour + alpha, width: opened ? 4 : 2, lineDash: rejected ? [1, 6] : look.dash });
  const halo = new Stroke({ color: rejected ? '#ffffff55' : '#ffffffcc', width: opened ? 8 : 4 });
  const text = label
    ? new Text({
        text: label,
        font: `600 ${opened ? 15 : 12}px system-ui, sans-serif`,
        fill: new Fill({ color: '#1a1a1a' }),
        stroke: new Stroke({ color: '#ffffff', width: 4 }),
        overflow: true,
        offsetY: -12,
      })
    : undefined;
  const dot = new Circle({ radius: opened ? 8 : 5, stroke, fill: new Fill({ color: '#ffffff66' }) });
  return [new Style({ stroke: halo }), new Style({ stroke, text, image: dot })];
}
