// Numbers as people read them: always with a unit, and with an uncertainty or the word that none is known.

import { words } from '../words';

export interface Quantity {
  name: string;
  value: number;
  unit: string;
  /** Standard uncertainty in the same unit; null where none is known. */
  u: number | null;
}

const K = 2; // expanded uncertainty, about 95 %

/** Value ± U with U = 2 u to two figures; without u, three figures and the word that it is unknown. */
export function quantityWords({ value, unit, u }: Quantity): string {
  if (!Number.isFinite(value)) return words.measure.unknown;
  if (u === null || !(u > 0)) return `${sign(threeFigures(value))} ${unit} (${words.measure.noUncertainty})`;
  const expanded = K * u;
  const decimals = Math.max(0, 1 - Math.floor(Math.log10(expanded)));
  return `${sign(value.toFixed(decimals))} ± ${expanded.toFixed(decimals)}${unit === '°' ? '' : ' '}${unit}`;
}

/** A row of a table for other programs: name, value, standard uncertainty, unit. */
export function quantityRow({ name, value, unit, u }: Quantity): (string | number)[] {
  return [name, Number.isFinite(value) ? value : '', u ?? '', unit];
}

export function csv(rows: (string | number)[][]): string {
  const cell = (value: string | number) => {
    const text = String(value);
    // quotes are doubled; a text that a spreadsheet would take for a formula is marked as text
    const safe = typeof value === 'string' && /^[=+\-@\t]/.test(text) ? `'${text}` : text;
    return /[",\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
  };
  return `${rows.map((row) => row.map(cell).join(',')).join('\n')}\n`;
}

function threeFigures(value: number): string {
  return value.toFixed(Math.max(0, 2 - Math.floor(Math.log10(Math.abs(value) || 1))));
}

function sign(text: string): string {
  return (Number(text) === 0 ? text.replace('-', '') : text).replace('-', '−');
}
