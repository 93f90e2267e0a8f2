// One finding opened: its numbers, section, evidence, neighbours, what people said, and what can be said.

import { button, choice, el, labelled } from '../dom';
import { CLASS_NAMES } from '../looks';
import { sectionChart } from '../measure/chart';
import { quantityWords, type Quantity } from '../measure/quantity';
import { sectionOf } from '../measure/section';
import type { Field } from '../plate';
import { words } from '../words';
import { across } from './across';
import type { Change, State } from './changes';
import { FORMER, type Mark } from './marks';

const REST_MS = 150;

export interface Speaker {
  confirm(): void;
  reclassify(name: string, reason: string): void;
  reject(reason: string): void;
  reopen(): void;
  comment(text: string): void;
  goTo(finding: string): void;
}

export interface Neighbour {
  mark: Mark;
  words: string;
}

export function card(mark: Mark, state: State, name: string, field: Field, neighbours: Neighbour[], speaker: Speaker): HTMLElement {
  const section = el('div', { className: 'section-place' });
  if (field.measured.height) {
    // who steps through many marks at once waits for none of their sections
    window.setTimeout(() => section.isConnected && void drawSection(section, mark, field), REST_MS);
  }
  const said = state.changes.map(changeLine);
  const former = mark.finding.startsWith(FORMER);
  return el(
    'section',
    { className: 'panel card', 'aria-label': words.findings.opened(mark.id) },
    el('h2', {}, `${mark.id} · ${name}`),
    el(
      'p',
      {},
      words.findings.statuses[state.status],
      mark.confidence === null ? ` · ${former ? words.findings.former : words.findings.drawn}` : ` · ${words.readout.confidence(mark.confidence)}`,
    ),
    state.contested && el('p', { className: 'warning' }, words.findings.contested),
    el('dl', {}, ...figures(mark).flatMap((figure) => [el('dt', {}, figure.name), el('dd', {}, quantityWords(figure))])),
    !mark.resolved && el('p', { className: 'caption' }, words.findings.unresolved),
    former ? el('p', { className: 'caption' }, words.findings.formerSaid) : actions(name, state, speaker),
    section,
    mark.evidence.length > 0 && el('h3', {}, words.findings.evidence),
    mark.evidence.length > 0 && el('ul', {}, ...mark.evidence.map((sentence) => el('li', {}, sentence))),
    neighbours.length > 0 && el('h3', { className: 'on-screen' }, words.findings.neighbours),
    el(
      'div',
      { className: 'buttons' },
      ...neighbours.map((each) => button(`${each.mark.id} ${each.words}`, () => speaker.goTo(each.mark.finding))),
    ),
    said.length > 0 && el('h3', {}, words.findings.said),
    said.length > 0 && el('ol', { className: 'said' }, ...said),
  );
}

async function drawSection(place: HTMLElement, mark: Mark, field: Field): Promise<void> {
  try {
    const read = await sectionOf(field, ...across(mark, field));
    place.append(sectionChart(read) as unknown as HTMLElement, el('p', { className: 'caption' }, words.findings.section));
  } catch {
    place.append(el('p', { className: 'caption' }, words.findings.noSection));
  }
}

function figures(mark: Mark): Quantity[] {
  const all: [string, number | null, string, number | null][] = [
    [words.findings.length, mark.length_mm, 'mm', null],
    [words.findings.width, mark.width_um, 'µm', mark.u_width_um],
    [words.findings.depth, mark.depth_um, 'µm', mark.u_depth_um],
  ];
  return all.flatMap(([name, value, unit, u]) => (value === null ? [] : [{ name, value, unit, u }]));
}

function actions(name: string, state: State, speaker: Speaker): HTMLElement {
  const reason = el('input', { type: 'text', maxLength: 2000 });
  const comment = el('input', { type: 'text', maxLength: 2000 });
  const note = el('p', { className: 'warning', role: 'alert' });
  let chosen = name;
  const classes = choice(CLASS_NAMES.map((each) => [each, each]), name, (value) => (chosen = value));
  const needsReason = (act: (why: string) => void) => () => {
    note.textContent = reason.value.trim() ? '' : words.findings.needsReason;
    if (reason.value.trim()) act(reason.value.trim());
    else reason.focus();
  };
  return el(
    'div',
    { className: 'actions' },
    el(
      'div',
      { className: 'buttons' },
      button(words.findings.confirm, () => speaker.confirm()),
      button(words.findings.reject, needsReason((why) => speaker.reject(why))),
      state.status !== 'proposed' && button(words.findings.reopen, () => speaker.reopen()),
    ),
    labelled(words.findings.reason, reason),
    el(
      'div',
      { className: 'together' },
      labelled(words.findings.class, classes),
      button(words.findings.reclassify, needsReason((why) => speaker.reclassify(chosen, why))),
    ),
    note,
    el(
      'div',
      { className: 'together' },
      labelled(words.findings.comment, comment),
      button(words.findings.add, () => comment.value.trim() && speaker.comment(comment.value.trim())),
    ),
  );
}

function changeLine(change: Change): HTMLElement {
  const what = {
    confirm: words.findings.did.confirm,
    reclassify: words.findings.did.reclassify(String(change.body.class)),
    reject: words.findings.did.reject,
    draw: words.findings.did.draw,
    comment: String(change.body.text),
    reopen: words.findings.did.reopen,
  }[change.kind];
  return el('li', {}, `${change.author}, ${change.time.slice(0, 16).replace('T', ' ')} UTC: ${what}`, change.reason && ` – ${change.reason}`);
}
