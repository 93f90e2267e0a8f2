// What people say of the marks: one record a change, and what all changes of a finding come to.
// The same fold as on the server: the last decision counts; it is contested where its author had not seen an earlier
// decision of somebody else.

export type Kind = 'confirm' | 'reclassify' | 'reject' | 'draw' | 'comment' | 'reopen';
export type Status = 'proposed' | 'confirmed' | 'reclassified' | 'rejected';

export interface Draft {
  client_id: string;
  finding: string;
  kind: Kind;
  author: string;
  reason: string;
  body: Record<string, unknown>;
  seen: number;
}

export interface Change extends Draft {
  sequence: number;
  /** UTC, ISO 8601. */
  time: string;
  /** What the proposed mark was when this was said of it. */
  about?: About | null;
}

export interface About {
  class: string | null;
  geometry: Drawn['geometry'];
}

export interface Drawn {
  side: string;
  field: string;
  class: string;
  geometry: { type: 'Point' | 'LineString' | 'Polygon'; coordinates: unknown };
}

export interface State {
  status: Status;
  /** The class that a person gave; null where it is the proposed one. */
  named: string | null;
  drawn: Drawn | null;
  about: About | null;
  contested: boolean;
  changes: Change[];
}

const DECIDED: Partial<Record<Kind, Status>> = {
  confirm: 'confirmed',
  reclassify: 'reclassified',
  reject: 'rejected',
  reopen: 'proposed',
};

export const UNTOUCHED: State = { status: 'proposed', named: null, drawn: null, about: null, contested: false, changes: [] };

/** The state of a finding after one more change. */
export function after(state: State, change: Change): State {
  const changes = [...state.changes, change];
  state = { ...state, changes, about: change.about ?? null };
  if (change.kind === 'comment') return state;
  if (change.kind === 'draw') {
    const drawn = change.body as unknown as Drawn;
    return { ...state, drawn, named: drawn.class };
  }
  const contested = changes.slice(0, -1).some(
    (before) => before.kind in DECIDED && before.sequence > change.seen && before.author !== change.author,
  );
  let { named } = state;
  if (change.kind === 'reclassify') named = String(change.body.class);
  if (change.kind === 'reopen') named = state.drawn?.class ?? null;
  return { ...state, named, contested, status: DECIDED[change.kind]! };
}

/** A version 4 UUID; `crypto.randomUUID` is missing where the page comes over the lab's network without TLS. */
export function uuid(): string {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = Array.from(bytes, (byte) => byte.toString(16).padStart(2, '0')).join('');
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, '$1-$2-$3-$4-$5');
}
