// The findings: list and filters, the one that is open, drawing a new one, and where all of it is kept.

import Draw from 'ol/interaction/Draw';
import type { SimpleGeometry } from 'ol/geom';
import { button, choice, download, el, labelled, numberInput } from '../dom';
import { classLook, CLASS_NAMES } from '../looks';
import { swatch } from '../legend';
import { pointsFrom, type Point } from '../measure/lengths';
import type { MarkUnder } from '../measure/readout';
import type { Pane } from '../pane';
import type { Field, Plate } from '../plate';
import { words } from '../words';
import { card, type Neighbour } from './card';
import { uuid } from './changes';
import { VirtualList } from './list';
import { drawnMark, FORMER, formerMark, loadMarks, MarkTable, openFilter, type Mark } from './marks';
import { MarksLayer } from './marks-layer';
import { cornersOf, geometryOf, LEAST_POINTS, type Shape } from './shapes';
import { FindingStore } from './store';

const NEIGHBOURS = 4;

export class FindingsPanel {
  readonly element = el('div', { className: 'findings' });
  readonly store: FindingStore;
  readonly filter = openFilter();
  table = new MarkTable([]);
  shown: number[] = [];
  layer: MarksLayer;
  private marks: Mark[] = [];
  private readonly rowOf = new Map<string, number>();
  private readonly list = new VirtualList((row) => this.rowWords(row), (row) => this.open(row));
  private readonly count = el('p', { className: 'caption', role: 'status' });
  private readonly place = el('p', { className: 'caption' });
  private readonly opened = el('div', {});
  private openRow = -1;

  constructor(
    private readonly plate: Plate,
    private readonly fields: Field[],
    private readonly panes: () => Pane[],
    private readonly tell: (message: string) => void,
  ) {
    this.store = new FindingStore(plate, tell);
    this.layer = this.layerOf([]);
    this.store.watch((findings) => this.onChanges(findings));
    this.layOut();
  }

  async start(): Promise<void> {
    const loaded = await Promise.all(
      this.fields.map((field) =>
        loadMarks(field).catch((error: unknown) => {
          this.tell(`${words.findings.noMarks} ${String(error)}`);
          return [];
        }),
      ),
    );
    this.use(loaded.flat());
    await this.store.open();
    this.place.textContent = words.findings.places[this.store.place];
    this.layOut();
  }

  /** Take these marks for the proposed ones. */
  use(marks: Mark[]): void {
    this.marks = marks;
    this.rowOf.clear();
    marks.forEach((mark, row) => this.rowOf.set(mark.finding, row));
    this.table = new MarkTable(marks);
    this.layer = this.layerOf(marks);
    for (const pane of this.panes()) pane.showMarks(this.layer);
    this.refilter();
  }

  refilter(): void {
    this.shown = this.table.pass(this.filter, (mark) => this.store.state(mark.finding).status);
    this.layer.show(this.shown);
    this.list.show(this.shown);
    this.count.textContent = words.findings.count(this.shown.length, this.marks.length);
  }

  step(by: number): void {
    this.list.step(by);
  }

  markAt(pane: Pane, pixel: number[]): MarkUnder | null {
    const row = this.layer.rowAt(pane.map, pixel);
    return row < 0 ? null : { id: this.marks[row].id, class: this.classOf(row), confidence: this.marks[row].confidence };
  }

  chooseAt(pane: Pane, pixel: number[]): void {
    const row = this.layer.rowAt(pane.map, pixel);
    if (row >= 0) this.list.choose(row);
  }

  private layerOf(marks: Mark[]): MarksLayer {
    return new MarksLayer(marks, (row) => this.classOf(row), (row) => this.store.state(this.marks[row].finding).status === 'rejected');
  }

  private classOf(row: number): string {
    return this.store.state(this.marks[row].finding).named ?? this.marks[row].class;
  }

  private onChanges(findings: Set<string>): void {
    let grown = false;
    for (const finding of findings) {
      const { drawn, about, named } = this.store.state(finding);
      const mark = drawn ? drawnMark(finding, drawn) : about && finding.startsWith(FORMER) && formerMark(finding, about);
      if (mark && !this.rowOf.has(finding)) {
        this.rowOf.set(finding, this.marks.length);
        this.marks.push(mark);
        this.layer.add(this.marks[this.marks.length - 1], this.marks.length - 1);
        grown = true;
      }
      const row = this.rowOf.get(finding);
      if (row === undefined) continue;
      if (!grown) this.table.rename(row, named ?? this.marks[row].class);
      this.layer.changed(row);
    }
    if (grown) {
      this.table = new MarkTable(this.marks);
      this.marks.forEach((_, row) => this.table.rename(row, this.classOf(row)));
    }
    this.refilter();
    if (this.openRow >= 0 && findings.has(this.marks[this.openRow].finding)) this.drawCard();
  }

  private open(row: number): void {
    this.openRow = row;
    this.layer.open(row);
    const mark = this.marks[row];
    const [pane] = this.panes();
    const field = this.fields.find((each) => each.side === mark.side && each.field === mark.field);
    if (field && pane.field !== field) pane.show(field, pane.state);
    const view = pane.map.getView();
    const [west, south, east, north] = this.layer.extentOf(row);
    const [seenWest, seenSouth, seenEast, seenNorth] = view.calculateExtent(pane.map.getSize());
    const hidden = west < seenWest || east > seenEast || south < seenSouth || north > seenNorth;
    if (hidden) view.setCenter([(west + east) / 2, (south + north) / 2]);
    this.drawCard();
  }

  private drawCard(): void {
    const mark = this.marks[this.openRow];
    const field = this.fields.find((each) => each.side === mark.side && each.field === mark.field) ?? this.fields[0];
    const say = (kind: Parameters<FindingStore['say']>[1], reason = '', body = {}) => this.say(mark.finding, kind, reason, body);
    this.opened.replaceChildren(
      card(mark, this.store.state(mark.finding), this.classOf(this.openRow), field, this.neighbours(this.openRow), {
        confirm: () => say('confirm'),
        reclassify: (name, reason) => say('reclassify', reason, { class: name }),
        reject: (reason) => say('reject', reason),
        reopen: () => say('reopen'),
        comment: (text) => say('comment', '', { text }),
        goTo: (finding) => {
          const row = this.rowOf.get(finding);
          if (row === undefined) return;
          if (!this.shown.includes(row)) this.open(row);
          this.list.choose(row);
        },
      }),
    );
  }

  private say(finding: string, kind: Parameters<FindingStore['say']>[1], reason: string, body: Record<string, unknown>): void {
    if (this.store.place === 'nowhere') this.tell(words.findings.places.nowhere);
    else if (!this.store.author) {
      this.tell(words.findings.needsAuthor);
      this.element.querySelector<HTMLInputElement>('.author')!.focus();
    } else this.store.say(finding, kind, reason, body);
  }

  /** Marks that cross this one, then those whose middles lie nearest. */
  private neighbours(row: number): Neighbour[] {
    const mark = this.marks[row];
    const crossed = mark.crosses.flatMap(({ id, later }) => {
      const other = this.rowOf.get(`${mark.side}/${mark.field}/${id}`);
      const order = later === null ? words.findings.crosses : later === id ? words.findings.laterOther : words.findings.laterThis;
      return other === undefined ? [] : [{ mark: this.marks[other], words: order }];
    });
    const middle = (each: number) => {
      const [west, south, east, north] = this.layer.extentOf(each);
      return [(west + east) / 2, (south + north) / 2];
    };
    const [x, y] = middle(row);
    const near = this.shown
      .filter((each) => each !== row && this.marks[each].side === mark.side && this.marks[each].field === mark.field)
      .map((each) => ({ each, distance: Math.hypot(middle(each)[0] - x, middle(each)[1] - y) }))
      .sort((a, b) => a.distance - b.distance)
      .slice(0, NEIGHBOURS)
      .map(({ each, distance }) => ({ mark: this.marks[each], words: words.findings.away(this.classOf(each), distance) }));
    return [...crossed, ...near];
  }

  /** Draw a new finding in whichever view it is begun. */
  private draw(name: string, shape: Shape): void {
    const draws = this.panes().map((pane) => ({ pane, draw: new Draw({ type: shape }) }));
    const end = (event: KeyboardEvent | null) => {
      if (event && event.key !== 'Escape') return;
      for (const { pane, draw } of draws) pane.map.removeInteraction(draw);
      document.removeEventListener('keydown', end);
    };
    document.addEventListener('keydown', end);
    for (const { pane, draw } of draws) {
      draw.on('drawend', ({ feature }) => {
        end(null);
        this.add(name, shape, cornersOf(feature.getGeometry() as SimpleGeometry), pane.field);
      });
      pane.map.addInteraction(draw);
    }
    this.tell(words.findings.drawHint);
  }

  /** A new finding of a person. */
  private add(name: string, shape: Shape, points: Point[], { side, field }: Field): void {
    if (points.length < LEAST_POINTS[shape]) this.tell(words.measure.tooFew);
    else this.say(`person:${uuid()}`, 'draw', '', { side, field, class: name, geometry: geometryOf(shape, points) });
  }

  private rowWords(row: number): Node[] {
    const mark = this.marks[row];
    const look = classLook(this.classOf(row));
    const state = this.store.state(mark.finding);
    const size = mark.length_mm === null ? '' : `${mark.length_mm.toFixed(1)} mm`;
    const depth = mark.depth_um === null ? '' : `${mark.depth_um.toFixed(Math.abs(mark.depth_um) < 100 ? 1 : 0).replace('-', '−')} µm`;
    return [
      look ? swatch(look) : el('span', { className: 'swatch' }),
      el('strong', {}, mark.id),
      el('span', {}, this.classOf(row)),
      el('span', { className: 'number' }, mark.confidence === null ? '' : `${(100 * mark.confidence).toFixed(0)} %`),
      el('span', { className: 'number' }, size),
      el('span', { className: 'number' }, depth),
      el('span', { title: words.findings.statuses[state.status] }, state.contested ? '!' : words.findings.signs[state.status]),
    ];
  }

  private layOut(): void {
    const { filter } = this;
    let newClass = 'scratch';
    let newShape: Shape = 'LineString';
    const shapes = choice(Object.entries(words.findings.shapes), newShape, (value) => (newShape = value as Shape));
    const coordinates = el('input', { type: 'text', placeholder: words.measure.coordinatesExample });
    const least = (name: string, unit: string, step: number, max: number, act: (value: number) => void) =>
      labelled(name, numberInput(0, { min: 0, max, step }, (value) => (act(value), this.refilter())), unit);
    const boxes = CLASS_NAMES.slice(1).map((name) => {
      const box = el('input', { type: 'checkbox', checked: filter.classes.has(name) });
      box.addEventListener('change', () => {
        if (box.checked) filter.classes.add(name);
        else filter.classes.delete(name);
        this.refilter();
      });
      return el('label', { className: 'class-box' }, box, swatch(classLook(name)!), name);
    });
    const statuses = Object.entries(words.findings.statuses) as [string, string][];
    const author = el('input', { type: 'text', className: 'author', value: this.store.author, maxLength: 80, autocomplete: 'name' });
    author.addEventListener('change', () => this.store.name(author.value));
    this.element.replaceChildren(
      el(
        'section',
        { className: 'panel on-screen', 'aria-label': words.findings.filter },
        labelled(words.findings.author, author),
        el('details', {}, el('summary', {}, words.findings.filter), el('div', { className: 'boxes' }, ...boxes),
          labelled(words.findings.status, choice([['', words.findings.any], ...statuses], filter.status, (value) => {
            filter.status = value;
            this.refilter();
          })),
          least(words.findings.leastConfidence, '%', 5, 100, (value) => (filter.least_confidence = value / 100)),
          least(words.findings.leastLength, 'mm', 0.1, 1e4, (value) => (filter.least_length_mm = value)),
          least(words.findings.leastDepth, 'µm', 1, 1e4, (value) => (filter.least_depth_um = value)),
        ),
        this.count,
        this.list.element,
        el(
          'div',
          { className: 'buttons' },
          button(words.findings.previous, () => this.step(-1)),
          button(words.findings.next, () => this.step(1)),
        ),
        el(
          'div',
          { className: 'together' },
          labelled(words.findings.newClass, choice(CLASS_NAMES.slice(1).map((name) => [name, name]), newClass, (value) => (newClass = value))),
          labelled(words.findings.shape, shapes),
          button(words.findings.draw, () => this.draw(newClass, newShape)),
        ),
        el(
          'div',
          { className: 'together' },
          labelled(words.measure.coordinates, coordinates),
          button(words.findings.addShape, () => {
            this.add(newClass, newShape, pointsFrom(coordinates.value), this.panes()[0].field);
          }),
        ),
      ),
      this.opened,
      el('section', { className: 'panel on-screen', 'aria-label': words.findings.kept }, this.place, ...this.exports()),
    );
  }

  private exports(): HTMLElement[] {
    if (this.store.place === 'browser') {
      const take = () => {
        const content = JSON.stringify({ plate: this.plate.plate, session: this.plate.session, changes: this.store.changes }, null, 1);
        download(`${this.plate.plate}-findings.json`, new Blob([content], { type: 'application/json' }));
      };
      return [button(words.findings.download, take)];
    }
    return [
      el('p', {}, el('a', { href: 'api/export/annotations', download: '' }, words.findings.annotations)),
      el('p', {}, el('a', { href: 'api/export/geojson', download: '' }, words.findings.geojson)),
    ];
  }
}
