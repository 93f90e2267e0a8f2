// Elements with their properties and children.  Text is always text: nothing is ever read as markup.

type Child = Node | string | null | undefined | false;
type Properties = Record<string, unknown>;

export function el<Tag extends keyof HTMLElementTagNameMap>(
  tag: Tag,
  properties: Properties = {},
  ...children: Child[]
): HTMLElementTagNameMap[Tag] {
  const element = document.createElement(tag);
  assign(element, properties);
  element.append(...kept(children));
  return element;
}

export function svg(tag: string, attributes: Record<string, string | number>, ...children: Child[]): SVGElement {
  const element = document.createElementNS('http://www.w3.org/2000/svg', tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, String(value));
  element.append(...kept(children));
  return element;
}

export function button(words: string, act: () => void, properties: Properties = {}): HTMLButtonElement {
  return el('button', { type: 'button', onclick: act, ...properties }, words);
}

let controls = 0;

/** A control with its label, which is its name for those who hear the page, and what stands after it, such as a unit. */
export function labelled(words: string, control: HTMLElement, after = ''): HTMLElement {
  controls += 1;
  control.id ||= `control-${controls}`;
  const label = el('label', { for: control.id }, words, after && el('span', { className: 'unseen' }, ` (${after})`));
  return el('div', { className: 'labelled' }, label, control, after && el('span', { className: 'unit', 'aria-hidden': 'true' }, after));
}

export function choice(options: [value: string, words: string][], chosen: string, act: (value: string) => void): HTMLSelectElement {
  const select = el(
    'select',
    {},
    ...options.map(([value, words]) => el('option', { value, selected: value === chosen }, words)),
  );
  select.addEventListener('change', () => act(select.value));
  return select;
}

interface NumberSettings {
  min: number;
  max: number;
  step: number;
}

export function numberInput(value: number, settings: NumberSettings, act: (value: number) => void): HTMLInputElement {
  const input = el('input', { type: 'number', value: String(value), ...settings });
  input.addEventListener('change', () => {
    if (Number.isFinite(input.valueAsNumber)) {
      act(Math.min(settings.max, Math.max(settings.min, input.valueAsNumber)));
    }
  });
  return input;
}

export function checkbox(checked: boolean, act: (checked: boolean) => void): HTMLInputElement {
  const input = el('input', { type: 'checkbox', checked });
  input.addEventListener('change', () => act(input.checked));
  return input;
}

/** Offer a file to be saved. */
export function download(name: string, content: Blob): void {
  const address = URL.createObjectURL(content);
  el('a', { href: address, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(address), 10_000);
}

function kept(children: Child[]): (Node | string)[] {
  return children.filter((child): child is Node | string => child !== null && child !== undefined && child !== false);
}

function assign(element: HTMLElement, properties: Properties): void {
  for (const [name, value] of Object.entries(properties)) {
    if (name.includes('-') || name === 'role' || name === 'for') element.setAttribute(name, String(value));
    else (element as unknown as Properties)[name] = value;
  }
}
