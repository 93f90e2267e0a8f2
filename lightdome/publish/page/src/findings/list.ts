// A list of many rows of which only those in sight are in the page.

import { el } from '../dom';
import { words } from '../words';

const ROW_PX = 34;
const BEYOND = 6; // rows drawn above and below those in sight

export class VirtualList {
  readonly element = el('div', { className: 'list', role: 'listbox', tabIndex: 0, 'aria-label': words.findings.list });
  private readonly inner = el('div', { className: 'rows-inner', role: 'presentation' });
  private rows: number[] = [];
  private at = -1;

  constructor(
    private readonly draw: (row: number) => Node[],
    private readonly chosen: (row: number) => void,
  ) {
    this.element.append(this.inner);
    this.element.addEventListener('scroll', () => this.refresh());
    this.element.addEventListener('keydown', (event) => this.onKey(event));
    new ResizeObserver(() => this.refresh()).observe(this.element);
  }

  get count(): number {
    return this.rows.length;
  }

  /** Show these rows; the chosen one stays chosen if it is among them. */
  show(rows: number[]): void {
    const chosen = this.rows[this.at];
    this.rows = rows;
    this.at = rows.indexOf(chosen);
    this.inner.style.height = `${rows.length * ROW_PX}px`;
    this.refresh();
  }

  choose(row: number): void {
    const at = this.rows.indexOf(row);
    if (at < 0) return;
    this.at = at;
    const [top, height] = [at * ROW_PX, this.element.clientHeight];
    if (top < this.element.scrollTop) this.element.scrollTop = top;
    if (top + ROW_PX > this.element.scrollTop + height) this.element.scrollTop = top + ROW_PX - height;
    this.refresh();
    this.chosen(row);
  }

  step(by: number): void {
    if (!this.rows.length) return;
    const next = this.at < 0 ? 0 : Math.min(this.rows.length - 1, Math.max(0, this.at + by));
    this.choose(this.rows[next]);
  }

  refresh(): void {
    const first = Math.max(0, Math.floor(this.element.scrollTop / ROW_PX) - BEYOND);
    const last = Math.min(this.rows.length, Math.ceil((this.element.scrollTop + this.element.clientHeight) / ROW_PX) + BEYOND);
    const shown: HTMLElement[] = [];
    for (let at = first; at < last; at += 1) {
      const row = el(
        'div',
        {
          className: 'row',
          role: 'option',
          id: `row-${at}`,
          'aria-selected': String(at === this.at),
          'aria-setsize': this.rows.length,
          'aria-posinset': at + 1,
          onclick: () => this.choose(this.rows[at]),
        },
        ...this.draw(this.rows[at]),
      );
      row.style.top = `${at * ROW_PX}px`;
      shown.push(row);
    }
    this.inner.replaceChildren(...shown);
    if (this.at >= first && this.at < last) this.element.setAttribute('aria-activedescendant', `row-${this.at}`);
    else this.element.removeAttribute('aria-activedescendant');
  }

  private onKey(event: KeyboardEvent): void {
    const page = Math.max(1, Math.floor(this.element.clientHeight / ROW_PX) - 1);
    const steps: Record<string, number> = {
      ArrowDown: 1,
      ArrowUp: -1,
      PageDown: page,
      PageUp: -page,
      Home: -this.rows.length,
      End: this.rows.length,
    };
    if (!(event.key in steps)) return;
    event.preventDefault();
    this.step(steps[event.key]);
  }
}
