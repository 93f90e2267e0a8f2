// Tabs after the usual pattern: one tab stop, arrow keys move between them.

import { button, el } from './dom';

let count = 0;

export function tabs(label: string, pages: [name: string, content: HTMLElement][], chosen: (name: string) => void): HTMLElement {
  const list = el('div', { className: 'tabs', role: 'tablist', 'aria-label': label });
  const panels: HTMLElement[] = [];
  const heads = pages.map(([name, content], index) => {
    count += 1;
    const head = button(name, () => choose(index), { role: 'tab', id: `tab-${count}`, 'aria-controls': `tabpanel-${count}` });
    panels.push(el('div', { role: 'tabpanel', id: `tabpanel-${count}`, 'aria-labelledby': `tab-${count}`, tabIndex: -1 }, content));
    list.append(head);
    return head;
  });
  const choose = (at: number) => {
    heads.forEach((head, index) => {
      head.setAttribute('aria-selected', String(index === at));
      head.tabIndex = index === at ? 0 : -1;
      panels[index].hidden = index !== at;
    });
    chosen(pages[at][0]);
  };
  list.addEventListener('keydown', (event) => {
    const at = heads.indexOf(document.activeElement as HTMLButtonElement);
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (at < 0 || step === undefined) return;
    const next = (at + step + heads.length) % heads.length;
    choose(next);
    heads[next].focus();
  });
  choose(0);
  return el('div', { className: 'tabbed' }, list, ...panels);
}
