// Where changes are kept: with the local server, or, on a static host, in this browser.

import type { Plate } from '../plate';
import { words } from '../words';
import { after, UNTOUCHED, uuid, type Change, type Draft, type Kind, type State } from './changes';

const POLL_MS = 3000;
const FIRST_RETRY_MS = 500;
const LONGEST_RETRY_MS = 15_000;

export type Place = 'server' | 'browser' | 'nowhere';

export class FindingStore {
  place: Place = 'browser';
  author: string;
  readonly states = new Map<string, State>();
  readonly changes: Change[] = [];
  private last = 0;
  private outbox: Draft[] = [];
  private sending = false;
  private readonly watchers: ((findings: Set<string>) => void)[] = [];

  constructor(
    private readonly plate: Plate,
    private readonly tell: (message: string) => void,
  ) {
    this.author = this.recall('author', '');
  }

  /** Called with the findings that have changed. */
  watch(watcher: (findings: Set<string>) => void): void {
    this.watchers.push(watcher);
  }

  /** Find out where changes are kept, and read those that there are. */
  async open(): Promise<void> {
    const status = await fetch('api/status')
      .then((answer) => (answer.ok ? (answer.json() as Promise<{ writable: boolean; author: string }>) : null))
      .catch(() => null);
    if (!status) {
      this.take(this.recall<Change[]>('changes', []));
      return;
    }
    this.place = status.writable ? 'server' : 'nowhere';
    this.author ||= status.author;
    this.outbox = this.recall<Draft[]>('outbox', []);
    await this.poll();
    void this.send();
    window.setInterval(() => document.hidden || void this.poll(), POLL_MS);
  }

  state(finding: string): State {
    return this.states.get(finding) ?? UNTOUCHED;
  }

  name(author: string): void {
    this.author = author.trim();
    this.keep('author', this.author);
  }

  /** Keep a change; what is on its way to the server is sent again until it is answered. */
  say(finding: string, kind: Kind, reason: string, body: Record<string, unknown>): void {
    const draft: Draft = { client_id: uuid(), finding, kind, author: this.author, reason, body, seen: this.last };
    if (this.place === 'server') {
      this.outbox.push(draft);
      this.keep('outbox', this.outbox);
      void this.send();
    } else if (this.place === 'browser') {
      this.take([{ ...draft, sequence: this.last + 1, time: new Date().toISOString() }]);
      this.keep('changes', this.changes);
    }
  }

  private async send(): Promise<void> {
    if (this.sending) return;
    this.sending = true;
    for (let pause = FIRST_RETRY_MS; this.outbox.length; ) {
      const [draft] = this.outbox;
      const answer = await fetch('api/findings', {
        method: 'POST',
        headers: { 'Content-Type': 'application/json' },
        body: JSON.stringify(draft),
      }).catch(() => null);
      if (!answer || answer.status >= 500) {
        this.tell(words.findings.waiting(this.outbox.length));
        await new Promise((resolve) => setTimeout(resolve, pause));
        pause = Math.min(2 * pause, LONGEST_RETRY_MS);
        continue;
      }
      pause = FIRST_RETRY_MS;
      this.outbox.shift();
      this.keep('outbox', this.outbox);
      if (answer.ok) await this.poll();
      else this.tell(`${words.findings.refused} ${await reasonOf(answer)}`);
    }
    this.sending = false;
  }

  private async poll(): Promise<void> {
    const answer = await fetch(`api/findings?since=${this.last}`).catch(() => null);
    if (!answer?.ok) return;
    this.take(((await answer.json()) as { changes: Change[] }).changes);
  }

  private take(changes: Change[]): void {
    const fresh = changes.filter((change) => change.sequence > this.last);
    for (const change of fresh) {
      this.changes.push(change);
      this.states.set(change.finding, after(this.state(change.finding), change));
      this.last = change.sequence;
    }
    const told = new Set(fresh.map(({ finding }) => finding));
    if (told.size) for (const watcher of this.watchers) watcher(told);
  }

  private shelf(what: string): string {
    return what === 'author' ? 'lightdome author' : `lightdome ${what} ${this.plate.session}/${this.plate.plate}`;
  }

  private recall<T>(what: string, otherwise: T): T {
    try {
      return (JSON.parse(localStorage.getItem(this.shelf(what)) ?? 'null') as T | null) ?? otherwise;
    } catch {
      return otherwise;
    }
  }

  private keep(what: string, value: unknown): void {
    try {
      localStorage.setItem(this.shelf(what), JSON.stringify(value));
    } catch {
      this.tell(words.findings.notKept);
    }
  }
}

async function reasonOf(answer: Response): Promise<string> {
  const said = (await answer.json().catch(() => null)) as { error?: string } | null;
  return said?.error ?? String(answer.status);
}
