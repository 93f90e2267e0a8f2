// The review as a whole: stage with one or two views inside the lamp's margin, panels beside it, read-out below.

import View from 'ol/View';
import { boundingExtent, getCenter } from 'ol/extent';
import { button, checkbox, choice, el, labelled } from './dom';
import { extentOf, PLATE_FRAME } from './frame';
import { FindingsPanel } from './findings/panel';
import { LampRuler, margin_px } from './lamp-ruler';
import { legendOf } from './legend';
import { firstLight } from './light';
import { LightPanel } from './light-panel';
import { MeasurePanel } from './measure/panel';
import { readOut } from './measure/readout';
import { Pane } from './pane';
import { shownFields, type Field, type Plate } from './plate';
import { Room } from './room';
import { lightModel, statesOf, type StateKey } from './states';
import { tabs } from './tabs';
import { compose, takePicture } from './take-picture';
import { words } from './words';

const LONGEST_WAIT_MS = 5000;
const FINEST = 1 / 32; // of a pixel's pitch, at the greatest enlargement
type Arrangement = 'one' | 'beside' | 'divider';

export class Review {
  readonly element: HTMLElement;
  readonly room: Room;
  readonly view: View;
  readonly panes: Pane[] = [];
  readonly fields: Field[];
  private readonly stage = el('div', { className: 'panes' });
  private readonly status = el('p', { className: 'status', role: 'status' });
  private readonly divider = el('input', { type: 'range', min: '0', max: '100', value: '50', className: 'divider' });
  private readonly reading = el('p', { className: 'reading' });
  readonly measuring: MeasurePanel;
  readonly findings: FindingsPanel;
  private readonly onPaper = el('div', { className: 'on-paper', 'aria-hidden': 'true' });
  private readonly paneControls = el('div', {});
  private readonly marksBox = checkbox(false, (on) => this.showMarks(on));
  private readonly ruler: LampRuler;
  private readonly lightPanel: LightPanel;
  private arrangement: Arrangement = 'one';

  constructor(readonly plate: Plate) {
    this.fields = shownFields(plate);
    const [first] = this.fields;
    this.room = new Room(firstLight(first));
    const extents = this.fields.map(extentOf);
    const all = boundingExtent(extents.flatMap(([west, south, east, north]) => [[west, south], [east, north]]));
    this.view = new View({
      projection: PLATE_FRAME,
      center: getCenter(all),
      resolution: 1,
      minResolution: first.pitch_mm * FINEST,
      maxResolution: Math.max(all[2] - all[0], all[3] - all[1]) / 100,
      enableRotation: false,
      constrainResolution: false,
    });
    this.ruler = new LampRuler(this.room);
    this.lightPanel = new LightPanel(this.room, plate, () => this.panes[0]?.field ?? first);
    this.measuring = new MeasurePanel(plate, () => this.panes, (message) => this.tell(message));
    this.findings = new FindingsPanel(plate, this.fields, () => this.panes, (message) => this.tell(message));
    this.element = this.layOut();
    this.addPane(first, lightModel(first) ?? statesOf(first)[0]);
    this.divider.addEventListener('input', () => this.cut());
    this.divider.setAttribute('aria-label', words.view.dividerSaid);
  }

  /** When the page stands in the document: fit the plate. */
  start(): void {
    this.fitViews();
    new ResizeObserver(() => this.fitViews()).observe(this.stage.parentElement!);
    this.arrange('one');
    this.whole();
    this.status.textContent = words.lamp.how;
    document.addEventListener('keydown', (event) => this.onKey(event));
    // a map does not follow the size of the paper: its picture does
    window.addEventListener('beforeprint', () => {
      this.onPaper.replaceChildren(...this.panes.map((pane) => compose(this.plate, pane, this.room.shown)));
    });
    window.addEventListener('afterprint', () => this.onPaper.replaceChildren());
    // marks by the thousand take a while to read: the picture comes first
    const waited = new Promise((resolve) => window.setTimeout(resolve, LONGEST_WAIT_MS));
    void Promise.race([this.panes[0].picture.firstWhole, waited]).then(() => this.findings.start());
  }

  whole(): void {
    const [pane] = this.panes;
    pane.map.updateSize();
    this.view.fit(extentOf(pane.field), { size: pane.map.getSize(), padding: [8, 8, 8, 8] });
  }

  /** One pixel of the field to one of the screen, texels on screen pixels. */
  actual(): void {
    const [pane] = this.panes;
    const { pitch_mm, shape } = pane.field;
    this.view.setResolution(pitch_mm * window.devicePixelRatio);
    this.view.setCenter(this.aligned(this.view.getCenter()!, pitch_mm, shape, pane.map.getSize()!));
  }

  /** The marks of all views, on or off the plate. */
  showMarks(visible: boolean): void {
    this.marksBox.checked = visible;
    for (const pane of this.panes) pane.marksVisible(visible);
  }

  tell(message: string): void {
    this.status.textContent = message;
  }

  arrange(arrangement: Arrangement): void {
    this.arrangement = arrangement;
    if (arrangement !== 'one' && this.panes.length === 1) {
      const { field, state } = this.panes[0];
      const other = this.fields[1] ?? field;
      const second = statesOf(other).find((key) => key !== state && ['relief', 'height'].includes(key));
      this.addPane(other, second ?? state);
    }
    if (arrangement === 'one') for (const pane of this.panes.splice(1)) pane.close();
    this.stage.dataset.arrangement = arrangement;
    this.divider.hidden = arrangement !== 'divider';
    this.cut();
    for (const pane of this.panes) pane.map.updateSize();
    this.refreshControls();
  }

  /** Steps through the findings from wherever no key is awaited. */
  private onKey(event: KeyboardEvent): void {
    const step = { n: 1, p: -1 }[event.key];
    const busy = (event.target as Element).closest('input, select, textarea, [role=dialog]');
    if (step && !busy && !event.ctrlKey && !event.altKey && !event.metaKey) this.findings.step(step);
  }

  /** Whole screen pixels for the views: a picture that is stretched by a part of a pixel is blurred. */
  private fitViews(): void {
    const { left, top, width, height } = this.stage.parentElement!.getBoundingClientRect();
    const margin = margin_px();
    const inset = (start: number) => Math.ceil(start + margin) - start;
    const even = (length: number) => 2 * Math.floor((length - 2 * margin - 1) / 2);
    this.stage.parentElement!.style.setProperty('--margin', `${margin}px`);
    this.stage.style.left = `${inset(left)}px`;
    this.stage.style.top = `${inset(top)}px`;
    this.stage.style.width = `${even(width)}px`;
    this.stage.style.height = `${even(height)}px`;
  }

  private cut(): void {
    const second = this.panes[1]?.element;
    if (second) second.style.clipPath = this.arrangement === 'divider' ? `inset(0 0 0 ${this.divider.value}%)` : '';
    this.stage.style.setProperty('--cut', `${this.divider.value}%`);
  }

  private aligned(centre: number[], pitch: number, [rows, columns]: [number, number], size: number[]): number[] {
    // a texel's edge lies on the screen's edge where view centre and half the screen are whole texels apart
    const ratio = window.devicePixelRatio;
    const snap = (value: number, origin: number, px: number) => {
      const half = (Math.round(px * ratio) / 2) % 1;
      return origin + (Math.round((value - origin) / pitch - half) + half) * pitch;
    };
    return [snap(centre[0], (-columns / 2) * pitch, size[0]), snap(centre[1], (rows / 2) * pitch, size[1])];
  }

  private addPane(field: Field, state: StateKey): void {
    const pane = new Pane(this.room, this.view, field, state, words.pane(this.panes.length + 1), (trouble) =>
      this.tell(trouble),
    );
    this.panes.push(pane);
    this.stage.append(pane.element);
    pane.map.addLayer(this.measuring.layer(pane));
    pane.marksVisible(this.marksBox.checked);
    pane.showMarks(this.findings.layer);
    readOut(pane, this.reading, (pixel) => this.findings.markAt(pane, pixel));
    pane.map.on('singleclick', (event) => this.measuring.active || this.findings.chooseAt(pane, event.pixel));
    pane.watch(() => this.refreshControls());
    this.refreshControls();
  }

  private refreshControls(): void {
    this.paneControls.replaceChildren(
      ...this.panes.map((pane, index) => {
        const fields = this.fields.map((field, at) => [String(at), field.title] as [string, string]);
        const states = statesOf(pane.field).map((key) => [key, words.states[key]] as [string, string]);
        return el(
          'section',
          { className: 'panel', 'aria-label': words.show },
          this.panes.length > 1 && el('h2', {}, words.numbered(index + 1)),
          this.fields.length > 1 &&
            labelled(
              words.field,
              choice(fields, String(this.fields.indexOf(pane.field)), (at) => pane.show(this.fields[Number(at)], pane.state)),
            ),
          labelled(words.show, choice(states, pane.state, (key) => pane.show(pane.field, key as StateKey))),
          pane.state && legendOf(pane),
          pane.field.blurred && el('p', {}, pane.field.blurred),
          pane.field.missing.length > 0 && missingOf(pane.field),
        );
      }),
    );
  }

  private layOut(): HTMLElement {
    const { plate } = this;
    const facts = [plate.title, plate.material, plate.date].filter(Boolean).join(' · ');
    const arrangements = choice(
      [
        ['one', words.view.one],
        ['beside', words.view.beside],
        ['divider', words.view.divider],
      ],
      'one',
      (value) => this.arrange(value as Arrangement),
    );
    const dark = checkbox(false, (on) => document.documentElement.classList.toggle('dark', on));
    const header = el(
      'header',
      {},
      el('h1', {}, plate.plate),
      el('p', { className: 'facts' }, facts),
      el(
        'div',
        { className: 'tools' },
        button(words.view.whole, () => this.whole()),
        button(words.view.actual, () => this.actual(), { title: words.view.actualSaid }),
        button('+', () => this.view.animate({ zoom: this.view.getZoom()! + 1, duration: 150 }), { 'aria-label': words.view.in }),
        button('−', () => this.view.animate({ zoom: this.view.getZoom()! - 1, duration: 150 }), { 'aria-label': words.view.out }),
        labelled(words.view.compare, arrangements),
        labelled(words.view.marks, this.marksBox),
        labelled(words.view.surround, dark),
        button(words.view.picture, () => void takePicture(plate, this.panes[0], this.room.shown)),
        el('a', { href: 'pictures.html' }, words.pictures),
      ),
    );
    const panels = tabs(words.panels, [
      [words.tabs.light, el('div', {}, this.paneControls, this.lightPanel.element, keys())],
      [words.tabs.measure, this.measuring.element],
      [words.tabs.findings, this.findings.element],
    ], (name) => name === words.tabs.findings && this.showMarks(true));
    return el(
      'div',
      { className: 'review' },
      el('a', { className: 'skip', href: '#stage' }, words.skip),
      header,
      this.onPaper,
      el(
        'main',
        { className: 'work' },
        el('div', { className: 'stage', id: 'stage' }, this.ruler.element as unknown as HTMLElement, this.stage, this.divider),
        el('aside', { className: 'side', 'aria-label': words.panels }, panels),
      ),
      el('footer', {}, this.status, this.reading),
    );
  }
}

function missingOf(field: Field): HTMLElement {
  const lines = field.missing.map(({ layer, why }) => el('li', {}, `${layer}: ${why}`));
  return el('details', {}, el('summary', {}, words.missing(lines.length)), el('ul', {}, ...lines));
}

function keys(): HTMLElement {
  const lines = words.keys.flatMap(([key, what]) => [el('dt', {}, key), el('dd', {}, what)]);
  return el('details', { className: 'panel on-screen' }, el('summary', {}, words.keysHeading), el('dl', { className: 'keys' }, ...lines));
}
