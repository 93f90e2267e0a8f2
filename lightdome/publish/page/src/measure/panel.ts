// The measuring tools: draw on the plate or give coordinates, read figures with their uncertainty, take them along.

import Feature from 'ol/Feature';
import type { FeatureLike } from 'ol/Feature';
import { LineString, Polygon, type SimpleGeometry } from 'ol/geom';
import Draw, { createBox } from 'ol/interaction/Draw';
import VectorLayer from 'ol/layer/Vector';
import VectorSource from 'ol/source/Vector';
import { Fill, Stroke, Style, Text } from 'ol/style';
import { button, download, el, labelled } from '../dom';
import type { Pane } from '../pane';
import { cornersOf } from '../findings/shapes';
import type { Field, Plate } from '../plate';
import { words } from '../words';
import { sectionChart } from './chart';
import { measure, type Kind, type Measurement } from './measurement';
import { pointsFrom, type Point } from './lengths';
import { csv, quantityRow, quantityWords } from './quantity';

const KINDS: Kind[] = ['distance', 'area', 'section', 'roughness'];
const HALO = new Stroke({ color: '#ffffff', width: 5 });

export class MeasurePanel {
  readonly element = el('div', {});
  readonly measurements: Measurement[] = [];
  private readonly list = el('ol', { className: 'measurements' });
  private readonly source = new VectorSource();
  private readonly tools = new Map<Kind, HTMLButtonElement>();
  private readonly coordinates = el('input', { type: 'text', placeholder: words.measure.coordinatesExample });
  private drawing: { kind: Kind; draws: { pane: Pane; draw: Draw }[] } | null = null;
  private kind: Kind = 'distance';

  constructor(
    private readonly plate: Plate,
    private readonly panes: () => Pane[],
    private readonly tell: (words: string) => void,
  ) {
    for (const kind of KINDS) {
      this.tools.set(kind, button(words.measure.kinds[kind], () => this.toggle(kind), { 'aria-pressed': 'false' }));
    }
    this.element.append(
      el(
        'section',
        { className: 'panel on-screen', 'aria-label': words.measure.heading },
        el('h2', {}, words.measure.heading),
        el('div', { className: 'buttons' }, ...this.tools.values()),
        el('p', { className: 'caption', role: 'status' }, words.measure.how),
        el(
          'form',
          {
            className: 'together',
            onsubmit: (event: Event) => {
              event.preventDefault();
              this.byCoordinates();
            },
          },
          labelled(words.measure.coordinates, this.coordinates),
          el('button', { type: 'submit' }, words.measure.take),
        ),
      ),
      el(
        'section',
        { className: 'panel', 'aria-label': words.measure.results },
        el('h2', {}, words.measure.results),
        el('p', { className: 'caption' }, words.measure.twice),
        this.list,
        el('div', { className: 'buttons' }, button(words.measure.csvAll, () => this.takeAll())),
      ),
    );
    document.addEventListener('keydown', (event) => {
      if (event.key === 'Escape') this.stop();
    });
  }

  /** The layer on which measurements are drawn in a pane: those of its field. */
  layer(pane: Pane): VectorLayer {
    const style = (feature: FeatureLike) => (feature.get('of') === nameOf(pane.field) ? styleOf(feature) : []);
    pane.watch(() => this.source.changed());
    return new VectorLayer({ source: this.source, zIndex: 20, style });
  }

  /** Whether a tool is drawing, so that clicks are its own. */
  get active(): boolean {
    return this.drawing !== null;
  }

  /** Measure and put the result on the list; says so where it cannot be done. */
  async take(kind: Kind, points: Point[], field: Field = this.panes()[0].field): Promise<Measurement | null> {
    try {
      const taken = await measure(kind, points, field, this.measurements.length + 1);
      this.measurements.push(taken);
      this.draw(taken);
      this.list.prepend(this.entry(taken));
      return taken;
    } catch (error) {
      this.tell(`${words.measure.failed} ${String(error instanceof Error ? error.message : error)}`);
      return null;
    }
  }

  private toggle(kind: Kind): void {
    const again = this.drawing?.kind === kind;
    this.stop();
    this.kind = kind;
    if (again) return;
    const draws = this.panes().map((pane) => ({ pane, draw: this.drawIn(pane, kind) }));
    this.drawing = { kind, draws };
    this.tools.get(kind)!.setAttribute('aria-pressed', 'true');
    this.tell(words.measure.hints[kind]);
  }

  private drawIn(pane: Pane, kind: Kind): Draw {
    const draw = new Draw({
      type: { distance: 'LineString', section: 'LineString', area: 'Polygon', roughness: 'Circle' }[kind] as 'LineString',
      maxPoints: kind === 'section' ? 2 : undefined,
      geometryFunction: kind === 'roughness' ? createBox() : undefined,
      style: styleOf,
    });
    draw.on('drawend', ({ feature }) => void this.take(kind, cornersOf(feature.getGeometry() as SimpleGeometry), pane.field));
    pane.map.addInteraction(draw);
    return draw;
  }

  private stop(): void {
    if (!this.drawing) return;
    for (const { pane, draw } of this.drawing.draws) pane.map.removeInteraction(draw);
    this.tools.get(this.drawing.kind)!.setAttribute('aria-pressed', 'false');
    this.drawing = null;
  }

  private byCoordinates(): void {
    const points = pointsFrom(this.coordinates.value);
    const corners = (a: Point, b: Point): Point[] => [a, [b[0], a[1]], b, [a[0], b[1]]];
    if (points.length < (this.kind === 'area' ? 3 : 2)) this.tell(words.measure.tooFew);
    else void this.take(this.kind, this.kind === 'roughness' ? corners(points[0], points[1]) : points);
  }

  private draw(taken: Measurement): void {
    const closed = taken.kind === 'area' || taken.kind === 'roughness';
    const geometry = closed ? new Polygon([[...taken.points, taken.points[0]]]) : new LineString(taken.points);
    const feature = new Feature({ geometry, words: String(taken.number), of: nameOf(taken) });
    feature.setId(taken.number);
    this.source.addFeature(feature);
  }

  private entry(taken: Measurement): HTMLElement {
    const remove = () => {
      this.measurements.splice(this.measurements.indexOf(taken), 1);
      this.source.removeFeature(this.source.getFeatureById(taken.number) as Feature);
      entry.remove();
    };
    const entry = el(
      'li',
      { value: taken.number },
      el('strong', {}, `${taken.number}  ${words.measure.kinds[taken.kind]}`),
      el(
        'dl',
        {},
        ...taken.figures.flatMap((figure) => [el('dt', {}, figure.name), el('dd', {}, quantityWords(figure))]),
      ),
      taken.section ? (sectionChart(taken.section) as unknown as HTMLElement) : null,
      el('p', { className: 'caption' }, taken.note),
      el(
        'div',
        { className: 'buttons' },
        taken.section && button(words.measure.csvSection, () => this.takeSection(taken)),
        button(words.measure.remove(taken.number), remove),
      ),
    );
    return entry;
  }

  private takeAll(): void {
    const head = ['number', 'kind', 'side', 'field', 'points_mm', 'quantity', 'value', 'standard_uncertainty', 'unit'];
    const rows = this.measurements.flatMap(({ number, kind, side, field, points, figures }) =>
      figures.map((figure) => [
        number,
        kind,
        side,
        field,
        points.map(([x, y]) => `${x.toFixed(4)} ${y.toFixed(4)}`).join('; '),
        ...quantityRow(figure),
      ]),
    );
    this.save(`${this.plate.plate}-measurements.csv`, [head, ...rows]);
  }

  private takeSection({ number, section }: Measurement): void {
    const { distance_mm, height_um, u_um } = section!;
    const cell = (value: number) => (Number.isFinite(value) ? value : '');
    const rows = Array.from(distance_mm, (distance, at) => [distance, cell(height_um[at]), cell(u_um[at])]);
    this.save(`${this.plate.plate}-section-${number}.csv`, [['distance_mm', 'height_um', 'standard_uncertainty_um'], ...rows]);
  }

  private save(name: string, rows: (string | number)[][]): void {
    download(name, new Blob([csv(rows)], { type: 'text/csv' }));
  }
}

function nameOf({ side, field }: { side: string; field: string }): string {
  return `${side}/${field}`;
}

function styleOf(feature: { get(name: string): unknown }): Style[] {
  const text = feature.get('words') as string | undefined;
  const label = text
    ? new Text({ text, font: '600 14px system-ui, sans-serif', stroke: HALO, fill: new Fill({ color: '#1a1a1a' }), overflow: true })
    : undefined;
  return [
    new Style({ stroke: HALO }),
    new Style({ stroke: new Stroke({ color: '#1a1a1a', width: 2 }), fill: new Fill({ color: 'rgb(255 255 255 / 10%)' }), text: label }),
  ];
}

