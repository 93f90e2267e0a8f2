// The proposed marks of a field, and those that people drew, ready to be filtered by the thousand.

import { CLASS_NAMES } from '../looks';
import type { Field } from '../plate';
import { words } from '../words';
import type { About, Drawn } from './changes';

export interface Geometry {
  type: string;
  coordinates: unknown;
}

export interface Mark {
  /** Name of the finding: side/field/id, person:UUID, or former:number:side/field/id. */
  finding: string;
  id: string;
  side: string;
  field: string;
  class: string;
  confidence: number | null;
  length_mm: number | null;
  width_um: number | null;
  depth_um: number | null;
  u_width_um: number | null;
  u_depth_um: number | null;
  resolved: boolean;
  evidence: string[];
  crosses: { id: string; later: string | null }[];
  geometry: Geometry;
}

interface Feature {
  id?: string;
  geometry: Geometry | null;
  properties: Record<string, unknown>;
}

export async function loadMarks(field: Field): Promise<Mark[]> {
  if (!field.marks) return [];
  const answer = await fetch(field.marks);
  if (!answer.ok) throw new Error(`${field.marks}: ${answer.status}`);
  const { features } = (await answer.json()) as { features: Feature[] };
  return features.filter(({ geometry }) => geometry !== null).map((feature) => markOf(feature, field));
}

function markOf({ id, geometry, properties }: Feature, { side, field }: Field): Mark {
  const number = (name: string) => (typeof properties[name] === 'number' ? (properties[name] as number) : null);
  const name = String(properties.id ?? id);
  return {
    finding: `${side}/${field}/${name}`,
    id: name,
    side,
    field,
    class: String(properties.class),
    confidence: number('confidence'),
    length_mm: number('length_mm'),
    width_um: number('width_um'),
    depth_um: number('depth_um'),
    u_width_um: number('u_width_um'),
    u_depth_um: number('u_depth_um'),
    resolved: properties.resolved !== false,
    evidence: Array.isArray(properties.evidence) ? properties.evidence.map(String) : [],
    crosses: Array.isArray(properties.crosses) ? (properties.crosses as Mark['crosses']) : [],
    geometry: geometry!,
  };
}

/** Begins the name of a mark that was spoken of and that the last night proposes no more. */
export const FORMER = 'former:';

export function formerMark(finding: string, about: About): Mark {
  const [side, field, id] = finding.slice(finding.lastIndexOf(':') + 1).split('/');
  return spokenOf(finding, `${id}, ${words.findings.former}`, { side, field, class: about.class ?? 'land', geometry: about.geometry });
}

export function drawnMark(finding: string, drawn: Drawn): Mark {
  return spokenOf(finding, finding.slice('person:'.length, 'person:'.length + 8), drawn);
}

/** A mark of which nothing is measured. */
function spokenOf(finding: string, id: string, { side, field, class: name, geometry }: Drawn): Mark {
  return {
    finding,
    id,
    side,
    field,
    class: name,
    confidence: null,
    length_mm: null,
    width_um: null,
    depth_um: null,
    u_width_um: null,
    u_depth_um: null,
    resolved: true,
    evidence: [],
    crosses: [],
    geometry,
  };
}

export interface Filter {
  classes: Set<string>;
  status: string;
  least_confidence: number;
  least_length_mm: number;
  least_depth_um: number;
}

export function openFilter(): Filter {
  return { classes: new Set(CLASS_NAMES), status: '', least_confidence: 0, least_length_mm: 0, least_depth_um: 0 };
}

/** What filters read, as columns of numbers: a pass over 20 000 marks takes about a millisecond. */
export class MarkTable {
  private readonly code: Uint8Array;
  private readonly confidence: Float32Array;
  private readonly length_mm: Float32Array;
  private readonly depth_um: Float32Array;

  constructor(readonly marks: Mark[]) {
    const column = (value: (mark: Mark) => number | null) => Float32Array.from(marks, (mark) => value(mark) ?? -1);
    this.code = Uint8Array.from(marks, (mark) => Math.max(0, CLASS_NAMES.indexOf(mark.class)));
    this.confidence = column((mark) => mark.confidence);
    this.length_mm = column((mark) => mark.length_mm);
    this.depth_um = column((mark) => mark.depth_um);
  }

  /** Rows that pass; an unknown number passes only where nothing is asked of it. */
  pass(filter: Filter, statusOf: (mark: Mark) => string): number[] {
    const classes = CLASS_NAMES.map((name) => filter.classes.has(name));
    const enough = (value: number, least: number) => least <= 0 || value >= least;
    const rows: number[] = [];
    for (let row = 0; row < this.marks.length; row += 1) {
      if (
        classes[this.code[row]] &&
        enough(this.confidence[row], filter.least_confidence) &&
        enough(this.length_mm[row], filter.least_length_mm) &&
        enough(this.depth_um[row], filter.least_depth_um) &&
        (!filter.status || statusOf(this.marks[row]) === filter.status)
      ) {
        rows.push(row);
      }
    }
    return rows;
  }

  /** Take over the class that people gave a mark. */
  rename(row: number, name: string): void {
    this.code[row] = Math.max(0, CLASS_NAMES.indexOf(name));
  }
}
